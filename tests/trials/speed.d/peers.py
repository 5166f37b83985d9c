"""The trial `speed`: peers on the same log. Prints one JSON object a call; does not judge.

peers.py polars LOG MAP          40 signals by expressions on the hex text, and the energy integral
peers.py cantools LOG MAP LINES  python-can's reader and cantools' decoder with V*I*dt on the first LINES lines
"""

import json
import sys
import time
import tomllib


def messages(path):
    with open(path, "rb") as file:
        return tomllib.load(file)["message"]


def polars_job(log, path):
    import polars as pl

    started = time.perf_counter()
    lines = pl.scan_csv(log, separator=" ", has_header=False, new_columns=["stamp", "bus", "frame"], quote_char=None)
    t = pl.col("stamp").str.slice(1, 17).cast(pl.Float64)
    parts = pl.col("frame").str.split_exact("#", 1)
    frames = lines.select(t.alias("t"), parts.struct[0].alias("id"), parts.struct[1].alias("data"))
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
    pack = queries[0].select(
        ((pl.col("PackFastA") * pl.col("PackFastB") + (pl.col("PackFastA") * pl.col("PackFastB")).shift(1)) / 2
         * (pl.col("t") - pl.col("t").shift(1))).sum() / 3600
    )
    sums = [query.select(pl.all().sum()) for query in queries]
    results = pl.collect_all([pack, *sums], engine="streaming")
    return {"seconds": time.perf_counter() - started, "net_wh": results[0].item()}


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


if __name__ == "__main__":
    if sys.argv[1] == "polars":
        print(json.dumps(polars_job(sys.argv[2], sys.argv[3])))
    else:
        print(json.dumps(cantools_job(sys.argv[2], sys.argv[3], int(sys.argv[4]))))
