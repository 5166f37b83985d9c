"""The trial `speed`, size: what raw frames and samples take beside the text, compressed, and beside other tables of the same.

T6 and T8, and that the files are plain Parquet to those who read them. Measures no time.
"""

import subprocess

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from jobs import PEERS, ingest, log_of, run_folder, tables
from timing import Figure, measure

XZ_FRAMES = 1_000_000
"""xz takes a minute for so many."""


def packed(tool, log):
    """Bytes of the text under a tool, counted on the way."""
    return int(subprocess.run(f"{tool} -c -q '{log}' | wc -c", shell=True, check=True, capture_output=True).stdout)


def long_table(folder, to):
    """All samples as one long table in time order: time, signal, value; values and times plain, zstd 3. Returns its rows."""
    times, signals, values, names = [], [], [], []
    for path in sorted((folder / "samples").rglob("*.parquet")):
        table = pq.ParquetFile(path).read()
        for name in table.column_names[2:]:
            times.append(table["t_us"].to_numpy())
            values.append(table[name].to_numpy())
            signals.append(np.full(len(table), len(names), dtype=np.int32))
            names.append(name)
    times = np.concatenate(times)
    order = np.argsort(times, kind="stable")
    signal = pa.DictionaryArray.from_arrays(np.concatenate(signals)[order], names)
    table = pa.table({"t_us": times[order], "signal": signal, "value": np.concatenate(values)[order]})
    pq.write_table(table, to, compression="zstd", compression_level=3, use_dictionary=["signal"])
    return len(table)


def read_by_all(frames):
    """The same rows and payloads to pyarrow, DuckDB and polars; the seconds of the longest row group."""
    file = pq.ParquetFile(frames)
    first = file.read_row_group(0)
    payloads = pa.array([row.as_py() for row in first["data"]], pa.binary())
    rows = len(first)
    by_duckdb = duckdb.sql(f"SELECT id, data FROM '{frames}' LIMIT {rows}").fetch_arrow_table()
    by_polars = pl.scan_parquet(frames).select("id", "data").head(rows).collect().to_arrow()
    for table in (by_duckdb, by_polars):
        assert table["id"].to_pylist() == first["id"].to_pylist()
        assert table["data"].cast(pa.binary()).combine_chunks().to_pylist() == payloads.to_pylist()
    count = duckdb.sql(f"SELECT count(DISTINCT data) FROM '{frames}'").fetchone()[0]
    assert count == pl.scan_parquet(frames).select(pl.col("data").n_unique()).collect().item()
    groups = [file.metadata.row_group(group).column(0).statistics for group in range(file.metadata.num_row_groups)]
    return max(group.max - group.min for group in groups) / 1e6


def figures(context):
    frames = context.frames
    log, map_file = log_of(context, frames)
    ingest(context, log, map_file)
    listed = tables(context)
    frame = listed["frames"][1] / frames
    of_samples = [figure for folder, figure in listed.items() if folder.startswith("samples/")]
    sample = sum(size for _, size in of_samples) / sum(5 * rows for rows, _ in of_samples)
    longest = read_by_all(next((run_folder(context) / "frames").glob("*.parquet")))

    by_duckdb, long = context.folder / "duckdb.parquet", context.folder / "long.parquet"
    measure([*PEERS, "duckdb-frames", log, by_duckdb])
    rows = long_table(run_folder(context), long)
    sizes = {
        "frames": frame,
        "frames, DuckDB's Parquet v2 with zstd": by_duckdb.stat().st_size / frames,
        "frames, text under zstd -3": packed("zstd -3", log) / frames,
        "samples": sample,
        "samples, one long table": long.stat().st_size / rows,
    }
    figures = [
        Figure("T6", "raw frames over text under zstd -3", "at most", 0.36, frame / sizes["frames, text under zstd -3"], steady=True),
        Figure("T6_duckdb", "raw frames over DuckDB's Parquet v2", "at most", 0.70,
               frame / sizes["frames, DuckDB's Parquet v2 with zstd"], steady=True),
        Figure("T6_seconds", "the longest row group of frames, s", "at most", 60, longest, steady=True),
        Figure("T8", "samples over one long table", "at most", 0.58, sample / sizes["samples, one long table"], steady=True),
    ]
    if context.long:
        few, few_map = log_of(context, XZ_FRAMES)
        ingest(context, few, few_map)
        sizes["frames of the first million"] = tables(context)["frames"][1] / XZ_FRAMES
        sizes["frames of the first million, text under xz -6"] = packed("xz -6", few) / XZ_FRAMES
        ratio = sizes["frames of the first million"] / sizes["frames of the first million, text under xz -6"]
        figures.append(Figure("T6_xz", "raw frames over text under xz -6", "at most", 0.62, ratio))
    print(f"\nsize, {frames} frames{'':22}bytes a frame or sample")
    for name, size in sizes.items():
        print(f"{name:52}{size:8.3f}")
    return figures
