"""The trial `speed`: a run's tables as others read them. In processes of its own, since what a parent holds counts as its children's memory.

tables.py sums RUN     net energy in Wh and distance in km from the samples, by DuckDB: products of lines, and lines, integrated exactly
tables.py read RUN     the same frames to pyarrow, DuckDB and polars; the seconds of the longest row group
tables.py spark RUN    that Spark counts the same frames, and as many payloads that differ, as DuckDB does
tables.py long RUN TO  all samples as one long table in time order; its rows

Prints one JSON value; judges nothing.
"""

import json
import sys
from pathlib import Path

import duckdb


def sums(run):
    def steps(message, columns):
        names = [name for column in columns for name in (column, f"lag({column}) OVER t AS before_{column}")]
        samples = run / "samples" / f"message={message}" / "*.parquet"
        return f"SELECT (t_us - lag(t_us) OVER t) * 1e-6 AS h, {', '.join(names)} FROM '{samples}' WINDOW t AS (ORDER BY t_us)"

    v, i, v0, i0 = "PackFastA", "PackFastB", "before_PackFastA", "before_PackFastB"
    pack = f"SELECT fsum(h / 6 * (2 * {v0} * {i0} + {v0} * {i} + {v} * {i0} + 2 * {v} * {i})) / 3600 FROM ({steps('PackFast', [v, i])})"
    way = f"SELECT fsum(h / 2 * (WheelA + before_WheelA) / 3.6) / 1000 FROM ({steps('Wheel', ['WheelA'])})"
    return [duckdb.sql(query).fetchall()[0][0] for query in (pack, way)]


def read(run):
    import polars as pl
    import pyarrow as pa
    import pyarrow.parquet as pq

    frames = next((run / "frames").glob("*.parquet"))
    file = pq.ParquetFile(frames)
    first = file.read_row_group(0)
    by_duckdb = duckdb.sql(f"SELECT id, data FROM '{frames}' LIMIT {len(first)}").fetchall()
    by_polars = pl.scan_parquet(frames).select("id", "data").head(len(first)).collect().rows()
    by_pyarrow = list(zip(first["id"].to_pylist(), first["data"].cast(pa.binary()).to_pylist()))
    assert by_pyarrow == [(number, bytes(data)) for number, data in by_duckdb] == by_polars
    # And all rows of the file, by what cannot be right by chance: how many payloads differ.
    count = duckdb.sql(f"SELECT count(DISTINCT data) FROM '{frames}'").fetchall()[0][0]
    assert count == pl.scan_parquet(frames).select(pl.col("data").n_unique()).collect().item()
    groups = [file.metadata.row_group(group).column(0).statistics for group in range(file.metadata.num_row_groups)]
    return max(group.max - group.min for group in groups) / 1e6


def spark(run):
    from pyspark.sql import SparkSession

    builder = SparkSession.builder.master("local[1]").config("spark.ui.enabled", "false").config("spark.driver.host", "127.0.0.1")
    session = builder.config("spark.driver.bindAddress", "127.0.0.1").config("spark.ui.showConsoleProgress", "false").getOrCreate()
    session.sparkContext.setLogLevel("ERROR")
    frames = session.read.parquet(str(run / "frames"))
    by_spark = [frames.count(), frames.select("data").distinct().count()]
    by_duckdb = duckdb.sql(f"SELECT count(*), count(DISTINCT data) FROM '{run / 'frames' / '*.parquet'}'").fetchall()[0]
    assert by_spark == list(by_duckdb), (by_spark, by_duckdb)
    session.stop()
    return by_spark


def long(run, to):
    """Values and times plain, zstd 3."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    times, signals, values, names = [], [], [], []
    for path in sorted((run / "samples").rglob("*.parquet")):
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


if __name__ == "__main__":
    print(json.dumps({"sums": sums, "read": read, "spark": spark, "long": long}[sys.argv[1]](*map(Path, sys.argv[2:]))))
