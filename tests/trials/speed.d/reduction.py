"""The trial `speed`: a test reduced, beside DuckDB and polars that form five of its figures from one table. Judges nothing but its figures.

A seeded drive of 8 h is written once as a candump log, for `drawdown ingest`, and once as a Parquet table of 12 columns, for the
peers: the same values at the same moments. Ours does its whole work (digests of the files it reads, gaps, uncertainty, every figure
of the card); a peer gives net Wh, km, Wh/km, Wh per percent of the state of charge, and the median power of each percent.

reduction.py polars TABLE                            the peer: prints its figures as one JSON object
reduction.py prepare FOLDER HOURS HZ SEED PROGRAM    the drive, its data set, card and table
"""

import json
import subprocess
import sys
from pathlib import Path

HOURS = 8
# The trapezoid of the product may differ by this share from the exact product of two lines: a check on the size, not the digits.
NEAR = 1e-3
COLUMNS = {
    "pack_voltage": 0.1, "pack_current": 0.1, "cell_voltage_min": 0.001, "speed_kmh": 0.01, "speed_displayed_kmh": 0.1, "odometer_km": 0.1,
    "soc": 0.5, "soc_internal": 0.01, "pack_temperature": 1.0, "ambient_temperature": 0.5, "heater_power": 10.0,
}
# Message, identifier, and of each signal: its column, first byte, bytes, unit.
MESSAGES = [
    ("VOLTS", 0x101, [("pack_voltage", 0, 2, "V"), ("cell_voltage_min", 2, 2, "V")]),
    ("AMPS", 0x102, [("pack_current", 0, 2, "A")]),
    ("PACE", 0x103, [("speed_kmh", 0, 2, "km/h"), ("speed_displayed_kmh", 2, 2, "km/h"), ("odometer_km", 4, 3, "km")]),
    ("STATE", 0x104, [("soc", 0, 1, "%"), ("soc_internal", 1, 2, "%"), ("pack_temperature", 3, 1, "degC"),
                      ("ambient_temperature", 4, 1, "degC"), ("heater_power", 5, 2, "W")]),
]
CARD = """vehicle = "{vehicle}"
runs = ["{run}"]
state_of_charge = "displayed"
distance = "speed"
full_charge = "ended by the car"
claimed_usable_kwh = 50.0

[driving]
target_kmh = 62
tolerance_kmh = 8
"""
# Five figures in one pass over the table, and the median power within each percent.
SQL = """with steps as (
  select t, soc, pack_voltage * pack_current as power, speed_kmh,
         lag(t) over (order by t) as t0,
         lag(pack_voltage * pack_current) over (order by t) as power0,
         lag(speed_kmh) over (order by t) as speed0
  from read_parquet('{table}')),
parts as (
  select floor(soc) as percent, power, (power + power0) / 2 * (t - t0) / 3600 as wh, (speed_kmh + speed0) / 2 * (t - t0) / 3600 as km
  from steps),
sums as (select sum(wh) as net_wh, sum(km) as km from parts),
percents as (select percent, sum(wh) as wh, median(power) as power from parts group by percent)
select net_wh, km, net_wh / km as wh_per_km, (select avg(wh) from percents) as wh_per_percent,
       (select list(power order by percent) from percents) as medians from sums"""
# The same integral as ours: between two samples voltage and current are lines, and their product is integrated exactly.
EXACT = """with steps as (
  select t - lag(t) over (order by t) as h, pack_voltage as v1, pack_current as i1, lag(pack_voltage) over (order by t) as v0,
         lag(pack_current) over (order by t) as i0
  from read_parquet('{table}'))
select fsum(h / 6 * (2 * v0 * i0 + v0 * i1 + v1 * i0 + 2 * v1 * i1)) / 3600 as net_wh from steps"""


def drive(hours, hz, seed):
    """The columns as raw whole numbers, and the moments in microseconds."""
    import numpy as np

    chance = np.random.default_rng(seed)
    count = int(hours * 3600 * hz) + 1
    period = 1e6 / hz
    t_us = (np.arange(count) * period + chance.uniform(-60, 60, count)).astype(np.int64)
    t_us -= t_us[0]
    t = t_us / 1e6
    # Smooth noise: white noise by the second, taken as linear between; no harder than 2 m/s2.
    at = np.arange(0, t[-1] + 2)
    slow = np.interp(t, at, np.convolve(chance.normal(0, 1, len(at)), np.ones(20) / 20, "same"))
    ramp = np.clip(t / 15, 0, 1) * np.clip((t[-1] - t) / 15, 0, 1)
    speed = np.maximum(0, ramp * (62 + 4 * np.sin(t / 200) + 8 * slow))
    mps = speed / 3.6
    push = np.gradient(mps, t) if count > 2 else mps * 0
    heater = 400 + 1500 * np.exp(-t / 600) + 30 * chance.normal(0, 1, count)
    power = mps * (160 + 0.42 * mps**2) / 0.9 + 1700 * mps * push * 0.9 + np.maximum(0, heater) + 250
    # The pack is as large as the drive is long, so that it is empty shortly before the end.
    used = np.cumsum(power) * period / 1e6
    level = np.clip(1 - used / (0.985 * used[-1]), 0, 1)
    volts = 330 + 60 * level + 8 * np.sin(6 * level)
    amps = power / volts
    volts = volts - 0.08 * amps
    km = np.cumsum(mps) * period / 1e9
    noise = lambda size: chance.normal(0, size, count)
    shown = {
        "pack_voltage": volts + noise(0.05), "pack_current": power / volts + noise(0.1), "cell_voltage_min": volts / 96 - 0.008 + noise(0.001),
        "speed_kmh": np.maximum(0, speed + noise(0.02) * (speed > 1)), "speed_displayed_kmh": speed * 1.03 + 0.5 * (speed > 1),
        "odometer_km": 12_345 + km, "soc": 100 * level, "soc_internal": 3 + 94 * level, "pack_temperature": 18 + 9 * (1 - level),
        "ambient_temperature": 12 + 3 * np.sin(t / 9_000), "heater_power": np.maximum(0, heater),
    }
    offset = {"pack_temperature": 40, "ambient_temperature": 40}
    rounded = lambda name: np.ceil if name == "soc" else np.rint
    return t_us, {name: rounded(name)((shown[name] + offset.get(name, 0)) / scale).astype(np.int64) for name, scale in COLUMNS.items()}


def write_log(path, t_us, raw, seed):
    """candump text, a line a message and moment; bytes that no signal fills are noise and a counter."""
    import numpy as np

    chance = np.random.default_rng(seed + 1)
    digits = np.frombuffer(b"0123456789ABCDEF", np.uint8)
    with open(path, "wb") as file:
        for begin in range(0, len(t_us), 100_000):
            these = slice(begin, begin + 100_000)
            stamps = 1_805_000_000_000_000 + t_us[these]
            lines = []
            for _, identifier, signals in MESSAGES:
                payload = np.zeros((len(stamps), 8), np.uint8)
                payload[:, 7] = (np.arange(len(stamps)) + begin) % 256
                payload[:, 6] = np.where(chance.random(len(stamps)) < 0.5, 0x5A, 0xA5) if identifier == 0x102 else 0
                for name, first, length, _ in signals:
                    for byte in range(length):
                        payload[:, first + byte] = raw[name][these] >> (8 * byte) & 0xFF
                line = np.empty((len(stamps), 47), np.uint8)
                line[:] = np.frombuffer(b"(0000000000.000000) vcan0 %03X#0000000000000000\n" % identifier, np.uint8)
                rest = stamps.copy()
                for column in [*range(17, 11, -1), *range(10, 0, -1)]:
                    line[:, column] = 48 + rest % 10
                    rest //= 10
                line[:, 30:46:2], line[:, 31:46:2] = digits[payload >> 4], digits[payload & 15]
                lines.append(line)
            file.write(np.stack(lines, axis=1).tobytes())


def write_map(path):
    """The map of those messages: every signal little endian, and the roles."""
    text = []
    for message, identifier, signals in MESSAGES:
        text.append(f'[[message]]\nname = "{message}"\nid = {identifier}\nlength = 8')
        for name, first, length, unit in signals:
            kind = "signed" if name == "pack_current" else "unsigned"
            offset = "offset = -40\n" if unit == "degC" else ""
            text.append(f'[[message.signal]]\nname = "{name}"\nstart = {8 * first}\nlength = {8 * length}\ntype = "{kind}"\n'
                        f'scale = {COLUMNS[name]}\n{offset}unit = "{unit}"')
    for message, _, signals in MESSAGES:
        for name, *_ in signals:
            role = name.removesuffix("_kmh").removesuffix("_km")
            positive = 'positive = "discharge"\n' if role == "pack_current" else ""
            given = role in ("pack_voltage", "pack_current", "speed", "odometer")
            tolerance = 'tolerance = { limit_gain = 0.01, limit_offset = 0, basis = "data sheet" }\n' if given else ""
            text.append(f'[roles.{role}]\nsignal = "{message}.{name}"\n{positive}{tolerance}')
    path.write_text("\n".join(text))


def write_table(path, t_us, raw):
    """What the peers read: seconds and 11 columns of numbers, as pyarrow writes a table by itself."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    offset = {"pack_temperature": 40, "ambient_temperature": 40}
    columns = {name: raw[name] * scale - offset.get(name, 0) for name, scale in COLUMNS.items()}
    pq.write_table(pa.table({"t": t_us / 1e6, **columns}), path)


def polars_job(table):
    """The same five figures by polars."""
    import polars as pl

    power, t, speed = pl.col("pack_voltage") * pl.col("pack_current"), pl.col("t"), pl.col("speed_kmh")
    hours = (t - t.shift(1)) / 3600
    frame = pl.scan_parquet(table).select(
        pl.col("soc").floor().alias("percent"), power.alias("power"),
        ((power + power.shift(1)) / 2 * hours).alias("wh"), ((speed + speed.shift(1)) / 2 * hours).alias("km"))
    percents = frame.group_by("percent").agg(
        pl.col("wh").sum(), pl.col("km").sum(), pl.col("power").median()).sort("percent").collect(engine="streaming")
    net, km = percents["wh"].sum(), percents["km"].sum()
    return {"net_wh": net, "km": km, "wh_per_km": net / km, "wh_per_percent": percents["wh"].mean(),
            "medians": percents["power"].to_list()}


def prepare(folder, hours, hz, seed, program):
    """The log ingested, the card and the peers' table."""
    folder.mkdir()
    t_us, raw = drive(hours, hz, seed)
    log, table, card = folder / "drive.log", folder / "drive.parquet", folder / "test.toml"
    write_log(log, t_us, raw, seed)
    write_map(folder / "map.toml")
    write_table(table, t_us, raw)
    ingest = [program, "ingest", log, "--map", folder / "map.toml", "--vehicle", "trial", "--into", folder / "DATA", "--no-frames"]
    run = subprocess.run([str(word) for word in ingest], check=True, capture_output=True, text=True).stdout.split()
    log.unlink()
    card.write_text(CARD.format(vehicle="trial", run=run[0]))


def duckdb_program():
    """The DuckDB command line itself, without the Python around it."""
    import duckdb_cli

    return Path(duckdb_cli.__file__).parent / "duckdb"


def told(text):
    """What `drawdown reduce --json` says of net energy, Wh, and distance by the speed, km."""
    figures = json.loads(text)
    return figures["energy"]["net_kwh"]["value"] * 1e3, figures["distances"]["speed_km"]["value"]


def off(ours, theirs):
    return abs(ours / theirs - 1)


def figures(context):
    from timing import RELEASE, Figure, alternate, measure, peak, seconds

    program, duckdb, found = RELEASE / "drawdown", duckdb_program(), []
    print(f"\nreduction of a drive, seed {context.seed}, one core, medians of {context.runs}")
    print(f"{'':36}{'ms':>9}{'peak MB':>9}{'net Wh':>18}{'km':>16}")
    worst = 0.0
    for name, hz, peer, target in (("T10a", 10, "DuckDB command line", 0.3), ("T10b", 100, "polars", 0.4)):
        # 100 Hz takes a minute to make: in the short form the drive is a tenth as long.
        hours = HOURS if hz == 10 or context.long else HOURS / 10
        # In a process of its own: a process's peak memory includes what its parent held when it was started.
        folder = context.folder / f"reduction-{hz}"
        words = [sys.executable, __file__, "prepare", folder, hours, hz, context.seed, program]
        subprocess.run([str(word) for word in words], check=True)
        card, table = folder / "test.toml", folder / "drive.parquet"
        ask = lambda text: [duckdb, "-json", "-c", text.format(table=table)]
        results = alternate({
            "drawdown reduce, with a card": lambda: measure([program, "reduce", card, "--json"]),
            "DuckDB command line": lambda: measure(ask(SQL)),
            "polars": lambda: measure([sys.executable, __file__, "polars", table]),
        }, context.runs)
        ours = results.pop("drawdown reduce, with a card")
        net, km = told(ours[0].text)
        print(f"{hours:g} h at {hz} Hz")
        print(f"  {'drawdown reduce, with a card':34}{seconds(ours) * 1e3:9.1f}{peak(ours):9.1f}{net:18.9f}{km:16.9f}")
        for one, runs in results.items():
            said = json.loads(runs[0].text)
            # The DuckDB command line prints a list of rows.
            said = said[0] if isinstance(said, list) else said
            if one == "DuckDB command line":
                theirs = said
            print(f"  {one:34}{seconds(runs) * 1e3:9.1f}{peak(runs):9.1f}{said['net_wh']:18.9f}{said['km']:16.9f}")
            assert off(net, said["net_wh"]) < NEAR and off(km, said["km"]) < NEAR, (one, said, net, km)
        exact = json.loads(measure(ask(EXACT)).text)[0]["net_wh"]
        worst = max(worst, off(net, exact), off(km, theirs["km"]))
        found.append(Figure(name, f"time of reduce, messages at {hz} Hz, over {peer}", "at most", target, seconds(ours) / seconds(results[peer])))
        found.append(Figure(f"{name}_mb", f"peak memory of reduce, messages at {hz} Hz, MB", "at most", 20, peak(ours)))
    found.append(Figure("T10_rel", "net Wh and km against DuckDB, relative difference", "at most", 1e-9, worst, steady=True))
    return found


if __name__ == "__main__" and sys.argv[1:2] == ["polars"]:
    print(json.dumps(polars_job(sys.argv[2])))
elif __name__ == "__main__" and sys.argv[1:2] == ["prepare"]:
    prepare(Path(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5]), sys.argv[6])
elif __name__ == "__main__":
    raise SystemExit("reduction.py polars TABLE, or reduction.py prepare FOLDER HOURS HZ SEED PROGRAM")
