"""The trial `speed`, size: what raw frames and samples take beside the text, compressed, and beside other tables of the same.

T6 and T8, and that the files are plain Parquet to those who read them. Measures no time.
"""

import json
import subprocess

from jobs import PEERS, TABLES, ingest, log_of, run_folder, tables
from timing import Figure, measure

XZ_FRAMES = 1_000_000
"""xz takes a minute for so many."""


def packed(tool, log):
    """Bytes of the text under a tool, counted on the way."""
    return int(subprocess.run(f"{tool} -c -q '{log}' | wc -c", shell=True, check=True, capture_output=True).stdout)


def figures(context):
    frames = context.frames
    log, map_file = log_of(context, frames)
    ingest(context, log, map_file)
    listed = tables(context)
    frame = listed["frames"][1] / frames
    of_samples = [figure for folder, figure in listed.items() if folder.startswith("samples/")]
    sample = sum(size for _, size in of_samples) / sum(5 * rows for rows, _ in of_samples)
    longest = json.loads(measure([*TABLES, "read", run_folder(context)]).text)

    by_duckdb, long = context.folder / "duckdb.parquet", context.folder / "long.parquet"
    measure([*PEERS, "duckdb-frames", log, by_duckdb])
    rows = json.loads(measure([*TABLES, "long", run_folder(context), long]).text)
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
        print("frames, and payloads that differ, as Spark and DuckDB count them:", measure([*TABLES, "spark", run_folder(context)]).text.strip())
        sizes["frames of the first million"] = tables(context)["frames"][1] / XZ_FRAMES
        sizes["frames of the first million, text under xz -6"] = packed("xz -6", few) / XZ_FRAMES
        ratio = sizes["frames of the first million"] / sizes["frames of the first million, text under xz -6"]
        figures.append(Figure("T6_xz", "raw frames over text under xz -6", "at most", 0.62, ratio))
    print(f"\nsize, {frames} frames{'':22}bytes a frame or sample")
    for name, size in sizes.items():
        print(f"{name:52}{size:8.3f}")
    return figures
