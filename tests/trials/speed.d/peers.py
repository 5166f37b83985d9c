"""The trial `speed`: peers on the same log. Prints one JSON object a call; does not judge.

peers.py polars LOG MAP            40 signals by expressions on the hex text, and the energy integral
peers.py polars-samples LOG MAP TO the same signals written as Parquet, one wide file a message
peers.py polars-frames LOG TO      every frame written as Parquet: time in us, bus, identifier, payload
peers.py duckdb-frames LOG TO      the same by DuckDB, Parquet version 2
peers.py cantools LOG MAP LINES    python-can's reader and cantools' decoder with V*I*dt on the first LINES lines

Parquet is written with zstd at level 3, as the figures that the targets rest on were.
"""

import json
import sys
import time
import tomllib


def messages(path):
    with open(path, "rb") as file:
        return tomllib.load(file)["message"]


def lines_of(log):
    import polars as pl

    return pl.scan_csv(log, separator=" ", has_header=False, new_columns=["stamp", "bus", "frame"], quote_char=None)


def signal_queries(log, path):
    """A lazy query a message: time and one column a signal."""
    import polars as pl

    t = pl.col("stamp").str.slice(1, 17).cast(pl.Float64)
    parts = pl.col("frame").str.split_exact("#", 1)
    frames = lines_of(log).select(t.alias("t"), parts.struct[0].alias("id"), parts.struct[1].alias("data"))
    queries = []
    for message in messages(path):
        name = f"{message['id']:08X}" if message["extended"] else f"{message['id']:03X}"
        columns = [pl.col("t")]
        for signal in message["signal"]:
            big = signal["byte_order"] == "big"
            byte = (signal["start"] - 7) // 8 if big else signal["start"] // 8
            text = pl.col("data").str.slice(2 * byte, signal["length"] // 4)
            if signal["length"] == 16 and not big:
                text = pl.col("data").str.slice(2 * byte + 2, 2) + pl.col("data").str.slice(2 * byte, 2)
            raw = text.str.to_integer(base=16, strict=False)
            if signal["type"] == "signed":
                half, full = 1 << (signal["length"] - 1), 1 << signal["length"]
                raw = pl.when(raw >= half).then(raw - full).otherwise(raw)
            columns.append((raw * signal["scale"]).alias(signal["name"]))
        queries.append(frames.filter(pl.col("id") == name).select(columns))
    return queries


def polars_job(log, path):
    import polars as pl

    started = time.perf_counter()
    queries = signal_queries(log, path)
    pack = queries[0].select(
        ((pl.col("PackFastA") * pl.col("PackFastB") + (pl.col("PackFastA") * pl.col("PackFastB")).shift(1)) / 2
         * (pl.col("t") - pl.col("t").shift(1))).sum() / 3600
    )
    sums = [query.select(pl.all().sum()) for query in queries]
    results = pl.collect_all([pack, *sums], engine="streaming")
    return {"seconds": time.perf_counter() - started, "net_wh": results[0].item()}


def polars_samples(log, path, to):
    import polars as pl

    sinks = [
        query.sink_parquet(f"{to}-{index}.parquet", compression="zstd", compression_level=3, lazy=True)
        for index, query in enumerate(signal_queries(log, path))
    ]
    pl.collect_all(sinks, engine="streaming")
    return {}


def polars_frames(log, to):
    import polars as pl

    stamp, parts = pl.col("stamp"), pl.col("frame").str.split_exact("#", 1)
    us = stamp.str.slice(1, 10).cast(pl.Int64) * 1_000_000 + stamp.str.slice(12, 6).cast(pl.Int64)
    frames = lines_of(log).select(
        us.alias("t_us"),
        pl.col("bus"),
        parts.struct[0].str.to_integer(base=16).cast(pl.Int32).alias("id"),
        parts.struct[1].str.decode("hex").alias("data"),
    )
    frames.sink_parquet(to, compression="zstd", compression_level=3)
    return {}


def duckdb_frames(log, to):
    import duckdb

    duckdb.sql("SET threads = 1")
    duckdb.sql(f"""
        COPY (
            SELECT CAST(stamp[2:11] AS BIGINT) * 1000000 + CAST(stamp[13:18] AS BIGINT) AS t_us, bus,
                   CAST('0x' || split_part(frame, '#', 1) AS INTEGER) AS id, unhex(split_part(frame, '#', 2)) AS data
            FROM read_csv('{log}', delim = ' ', header = false, quote = '', escape = '',
                          columns = {{'stamp': 'VARCHAR', 'bus': 'VARCHAR', 'frame': 'VARCHAR'}})
        ) TO '{to}' (FORMAT parquet, COMPRESSION zstd, COMPRESSION_LEVEL 3, PARQUET_VERSION v2)
    """)
    return {}


def cantools_job(log, path, lines):
    import can
    import cantools
    from cantools.database.can import Database, Message, Signal
    from cantools.database.conversion import BaseConversion

    kept = []
    for message in messages(path):
        signals = [
            Signal(s["name"], s["start"], s["length"], "big_endian" if s["byte_order"] == "big" else "little_endian",
                   s["type"] == "signed", conversion=BaseConversion.factory(scale=s["scale"], offset=0))
            for s in message["signal"]
        ]
        kept.append(Message(message["id"], message["name"], 8, signals, is_extended_frame=message["extended"]))
    database = Database(messages=kept)
    known = {message["id"] for message in messages(path)}
    started = time.perf_counter()
    count, energy, before = 0, 0.0, None
    for frame in can.CanutilsLogReader(log):
        count += 1
        if frame.arbitration_id in known:
            values = database.decode_message(frame.arbitration_id, frame.data)
            if "PackFastA" in values:
                now = (frame.timestamp, values["PackFastA"] * values["PackFastB"])
                if before:
                    energy += (now[1] + before[1]) / 2 * (now[0] - before[0])
                before = now
        if count == lines:
            break
    return {"seconds": time.perf_counter() - started, "frames": count, "net_wh": energy / 3600}


JOBS = {
    "polars": polars_job,
    "polars-samples": polars_samples,
    "polars-frames": polars_frames,
    "duckdb-frames": duckdb_frames,
    "cantools": lambda log, path, lines: cantools_job(log, path, int(lines)),
}

if __name__ == "__main__":
    print(json.dumps(JOBS[sys.argv[1]](*sys.argv[2:])))
