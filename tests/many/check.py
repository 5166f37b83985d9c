"""Rehearses many runs, reduces them by docs/sql/figures.sql on DuckDB and on Apache Spark, and by `drawdown reduce`, and compares.

Usage: check.py DRAWDOWN [RUNS] [SEED]. Prints a line an engine, and as its last line one JSON object; exit 0 if all agree. The engines
are outside the project; what they are held against is what `drawdown reduce --json` says less the estimates for gaps that it lists,
since the SQL fills none. Sums differ by their order alone, so 1e-9 is asked for, relative.
"""

import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import fsspec

ROOT = Path(__file__).resolve().parents[2]
SQL = (ROOT / "docs/sql/figures.sql").read_text()
MAP = ROOT / "signal-maps/demo.toml"
CLOSE = 1e-9
COURSE = """name = "Wexley to Fenholt"
[[place]]
name = "Wexley"
km = 0
turn = true
turn_km = 0.2
turn_s = 20
charger = true
[[place]]
name = "Fenholt"
km = {km}
turn = true
turn_km = 0.2
turn_s = 20
"""


def without(text, table):
    """A scenario without all tables of a name."""
    kept, skip = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skip = line.split("#")[0].strip() in (f"[{table}]", f"[[{table}]]")
        if not skip:
            kept.append(line)
    return "\n".join(kept) + "\n"


def scenario(chance, number):
    """The demo's car with a small pack, another driver, another day; every eighth from a part of a charge, every tenth with a gap."""
    text = (ROOT / "recordings/demo-scenario.toml").read_text()
    for table in ("drive.traffic", "absent", "gap", "satellite"):
        text = without(text, table)
    month, day, hour = chance.randint(1, 12), 1 + number % 28, 5 + number // 28 % 12
    changes = {
        "seed = 20270314": f"seed = {chance.randint(1, 10**9)}",
        'start = "2027-03-14T06:15:02Z"': f'start = "2027-{month:02}-{day:02}T{hour:02}:{number % 60:02}:02Z"',
        'course = "demo-course.toml"': 'course = "course.toml"',
        "mass_kg = 1890": f"mass_kg = {chance.randint(1500, 2300)}",
        "capacity_ah = 148": f"capacity_ah = {chance.uniform(14, 22):.2f}",
        "full_percent = 97.5": f"full_percent = {72 if number % 8 == 3 else 97.5}",
        "climate = { start_w = 3100, steady_w = 640": "climate = { start_w = 900, steady_w = 500",
        "filter_s = 12": "filter_s = 4",
        'from = "Quaymoor"': 'from = "Wexley"',
        'turns = ["Orrindale", "Tollen Cross"]': 'turns = ["Fenholt", "Wexley", "Fenholt", "Wexley", "Fenholt", "Wexley"]',
        "target_kmh = 110": f"target_kmh = {chance.randint(80, 125)}",
        "stand_before_s = 125": "stand_before_s = 41",
        "stand_after_s = 45": "stand_after_s = 15",
        "temperature_degc = 11.5": f"temperature_degc = {chance.randint(5, 30)}",
    }
    for old, new in changes.items():
        assert text.count(old) == 1, f"the demo's scenario no longer says {old!r} once"
        text = text.replace(old, new)
    if number % 10 == 7:
        text += f"\n[[gap]]\nstart_s = {chance.uniform(120, 300):.1f}\nduration_s = {chance.uniform(2, 9):.1f}\n"
    return text


def rehearse(program, folder, data, number, text):
    """One run: the recording, the data set, the figures; the recording is removed again."""
    own = folder / f"drive-{number}"
    own.mkdir()
    (own / "scenario.toml").write_text(text)
    (own / "course.toml").write_text(COURSE.format(km=9))
    call = lambda *arguments: subprocess.run([program, *arguments], check=True, capture_output=True, text=True).stdout
    call("rehearse", own / "scenario.toml", "--map", MAP, "-o", own / "drive.log")
    vehicle = f"car-{number % 5}"
    runs = call("ingest", own / "drive.log", "--map", MAP, "--vehicle", vehicle, "--into", data, "--no-frames").split()
    shutil.rmtree(own)
    assert len(runs) == 1, runs
    return (vehicle, Path(runs[0]).name.removeprefix("run=")), json.loads(call("reduce", runs[0], "--json"))


def expected(figures):
    """What the SQL must give: the figures less the estimates for gaps, which the JSON lists."""
    assert figures["zero"] is None and figures["ground"]["calibrates_wheels"] is False, "beyond what the SQL says it does"
    gaps = figures["gaps"]
    fill = lambda key, phases: sum(gap[key]["value"] for gap in gaps if gap[key] and gap["phase"] in phases)
    way = figures["distances"]["speed_km"]["value"] - fill("distance_km", ("drive", "stand", "charge"))
    net = figures["energy"]["net_kwh"]["value"] - fill("energy_kwh", ("drive", "stand"))
    # The energy of the driving phase, from the energy per distance that reduce gives and its own distance.
    counts = figures["distance_km"]["value"]
    driving = figures["consumption_wh_per_km"]["value"] * counts / 1e3 - fill("energy_kwh", ("drive",))
    capacity = figures["usable_capacity"]
    usable = None
    if capacity["method"] == "full":
        # Of a car that stands on displayed 0 % all gaps but that behind its end lie before it; that one adds nothing measurable.
        usable = capacity["kwh"]["value"] - sum(
            gap["energy_kwh"]["value"] for gap in gaps if gap["energy_kwh"] and gap["to_s"] < figures["duration_s"] - 1
        )
    return {
        "duration_s": figures["duration_s"],
        "distance_km": way,
        "net_kwh": net,
        "consumption_wh_per_km": driving * 1e3 / way,
        "usable_kwh": usable,
    }


def compare(engine, rows, figures):
    """The largest relative difference of every figure; ends with an error where one is too large."""
    worst, left = {}, 0
    assert {(row["vehicle"], row["run"]) for row in rows} == set(figures), f"{engine}: not the same runs"
    for row in rows:
        key = (row["vehicle"], row["run"])
        for name, value in expected(figures[key]).items():
            got = row[name]
            if name == "usable_kwh" and got is None and value is not None:
                # The SQL sees a rise of the display where reduce, which looks closer, sees none.
                assert row["soc_rise_percent"] > 4, f"{engine}: {key}: no {name}, by reduce {value}"
                left += 1
                continue
            assert (got is None) == (value is None), f"{engine}: {key}: {name} is {got}, by reduce {value}; {figures[key]['problems']}"
            if value is not None:
                off = abs(got / value - 1)
                worst[name] = max(worst.get(name, 0.0), off)
                assert off <= CLOSE, f"{engine}: {key}: {name} is {got}, by reduce {value}: {off:.1e} off"
        # The JSON lists no charge of a gap; here the gaps are the first and last milliseconds alone.
        if row["usable_ah"] is not None and row["unobserved_s"] < 0.1:
            off = abs(row["usable_ah"] / figures[key]["usable_capacity"]["ah"]["value"] - 1)
            assert off < 1e-5, f"{engine}: {key}: usable_ah {off:.1e} off"
    assert left <= len(rows) / 20, f"{engine}: the usable capacity of {left} runs is left to reduce"
    return worst, left


def by_duckdb(data):
    """DuckDB on a folder."""
    connection = duckdb.connect()
    files = f"{data}/*/*/trace/*.parquet"
    connection.execute(
        f"create view trace as select * from read_parquet('{files}', hive_partitioning = true, hive_types_autocast = false)"
    )
    found = connection.execute(SQL)
    names = [column[0] for column in found.description]
    return [dict(zip(names, row)) for row in found.fetchall()]


def by_duckdb_remote(data, some):
    """DuckDB on a store that is no folder: some of the runs as objects of fsspec's store in memory."""
    store = fsspec.filesystem("memory")
    for vehicle, run in some:
        for path in (data / f"vehicle={vehicle}" / f"run={run}" / "trace").iterdir():
            store.pipe(f"/season/vehicle={vehicle}/run={run}/trace/{path.name}", path.read_bytes())
    connection = duckdb.connect()
    connection.register_filesystem(store)
    connection.execute(
        "create view trace as select * from read_parquet('memory://season/*/*/trace/*.parquet', "
        "hive_partitioning = true, hive_types_autocast = false)"
    )
    found = connection.execute(SQL)
    names = [column[0] for column in found.description]
    return [dict(zip(names, row)) for row in found.fetchall()]


def by_spark(data):
    """Apache Spark in local mode, as docs/many-tests.md has it."""
    from pyspark.sql import SparkSession

    spark = (
        SparkSession.builder.master("local[2]")
        .config("spark.ui.enabled", "false")
        .config("spark.ui.showConsoleProgress", "false")
        .config("spark.sql.shuffle.partitions", "4")
        .config("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.driver.host", "127.0.0.1")
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("ERROR")
    spark.read.option("basePath", str(data)).parquet(f"{data}/*/*/trace").createOrReplaceTempView("trace")
    rows = [row.asDict() for row in spark.sql(SQL).collect()]
    spark.stop()
    return rows


def main():
    program, count, seed = Path(sys.argv[1]).resolve(), int((sys.argv[2:3] or [200])[0]), int((sys.argv[3:4] or [1])[0])
    chance = random.Random(seed)
    texts = [scenario(chance, number) for number in range(count)]
    with tempfile.TemporaryDirectory() as temporary:
        folder, data = Path(temporary), Path(temporary) / "DATA"
        data.mkdir()
        times, start = {}, time.monotonic()
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            figures = dict(pool.map(lambda at: rehearse(program, folder, data, at, texts[at]), range(count)))
        assert len(figures) == count, "two runs have one name"
        times["rehearsed"] = time.monotonic() - start
        full = sum(one["usable_capacity"]["method"] == "full" for one in figures.values())
        gaps = sum(one["unobserved_s"] > 1 for one in figures.values())
        rows = sum(path.stat().st_size for path in data.rglob("trace/*.parquet"))
        print(f"{count} runs, {full} from full to displayed 0 %, {gaps} with a gap, {rows / 1e6:.1f} MB of traces")
        assert count / 2 < full < count and gaps > count / 20, "the runs are not of every kind"
        result = {"runs": count, "full": full, "with_gap": gaps}
        some = sorted(figures)[: max(count // 10, 1)]
        engines = {
            "duckdb": (lambda: by_duckdb(data), figures),
            "duckdb_remote": (lambda: by_duckdb_remote(data, some), {key: figures[key] for key in some}),
            "spark": (lambda: by_spark(data), figures),
        }
        for engine, (ask, known) in engines.items():
            start = time.monotonic()
            worst, left = compare(engine, ask(), known)
            times[engine] = time.monotonic() - start
            most = max(worst.values())
            print(f"{engine}: {len(known)} runs agree with `drawdown reduce`, at most {most:.1e} off, in {times[engine]:.1f} s")
            result[f"{engine}_worst_rel"], result[f"{engine}_left_to_reduce"] = most, left
        result["seconds"] = {name: round(seconds, 1) for name, seconds in times.items()}
        print(json.dumps(result))


if __name__ == "__main__":
    main()
