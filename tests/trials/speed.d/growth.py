"""The trial `speed`: what a growing data set costs. Judges nothing but its figures.

One run of 4 h (two messages, both once in two seconds) is ingested once and stands in data sets of 20 and of 200 runs, of one vehicle for each
ten, every one under a name of its own with a `run.json` that says so and is sealed again. Asked for: the list, one run verified, two
tests compared; in the long form one vehicle and all of it verified too. What is asked for and not what is stored should set the time.
"""

import hashlib
import json
import os
import shutil
import subprocess
from datetime import datetime, timedelta

HOURS = 4
SETS = (20, 200)
PERIOD_S = 2
# What of a run.json stands before its digest, and what is left of it behind the digest (docs/data-set.md).
SEAL = ',\n  "sha256": "'
MAP = """[[message]]
name = "PACK"
id = 0x101
length = 4
[[message.signal]]
name = "Volts"
start = 0
length = 16
scale = 0.1
unit = "V"
[[message.signal]]
name = "Amps"
start = 16
length = 16
type = "signed"
scale = 0.1
unit = "A"
[[message]]
name = "PACE"
id = 0x102
length = 3
[[message.signal]]
name = "Pace"
start = 0
length = 16
scale = 0.01
unit = "km/h"
[[message.signal]]
name = "Charge"
start = 16
length = 8
scale = 0.5
unit = "%"
[roles.pack_voltage]
signal = "PACK.Volts"
[roles.pack_current]
signal = "PACK.Amps"
positive = "discharge"
[roles.speed]
signal = "PACE.Pace"
[roles.soc]
signal = "PACE.Charge"
"""
CARD = """vehicle = "{vehicle}"
runs = ["{run}"]
"""


def first_run(folder, program):
    """The run that all are copies of."""
    log, lines, count = folder / "drive.log", [], HOURS * 3600 // PERIOD_S
    for number in range(count + 1):
        t, left = 1_805_000_000 + PERIOD_S * number, 190 - 180 * number // count
        volts, amps, pace = 3_500 + left * 3, 300 + 40 * (number % 7), 9_000 + 50 * (number % 9)
        lines.append(f"({t}.000000) vcan0 101#{(volts | amps << 16).to_bytes(4, 'little').hex().upper()}\n")
        lines.append(f"({t}.000000) vcan0 102#{(pace | left << 16).to_bytes(3, 'little').hex().upper()}\n")
    log.write_text("".join(lines))
    (folder / "map.toml").write_text(MAP)
    command = [program, "ingest", log, "--map", folder / "map.toml", "--vehicle", "first", "--into", folder / "first"]
    said = subprocess.run([str(word) for word in command], check=True, capture_output=True, text=True).stdout.split()
    assert len(said) == 1, said
    return said[0]


def copied(run, target, vehicle, start):
    """The run under another name and vehicle, begun at another time; files that do not change are hard links."""
    shutil.copytree(run, target, copy_function=os.link)
    path = target / "run.json"
    body = path.read_text().rpartition(SEAL)[0]
    was = json.loads(body + "\n}")
    old, new = was["start_utc"], start.strftime("%Y-%m-%dT%H:%M:%S.000000Z")
    for key, value in (("vehicle", vehicle), ("run", target.name.removeprefix("run="))):
        before, after = f'\n  "{key}": "{was[key]}"', f'\n  "{key}": "{value}"'
        assert body.count(before) == 1, key
        body = body.replace(before, after)
    body = body.replace(old, new)
    # Another file, so that the one that is linked stays as it is.
    path.unlink()
    path.write_text(f'{body}{SEAL}{hashlib.sha256(body.encode()).hexdigest()}"\n}}\n')


def season(run, data, runs):
    """A data set of so many runs."""
    for number in range(runs):
        start = datetime(2027, 4, 1) + timedelta(hours=6 * number)
        vehicle = f"car-{number // 10 + 1:02}"
        target = data / f"vehicle={vehicle}" / f"run={start:%Y%m%dT%H%M%SZ}"
        target.parent.mkdir(parents=True, exist_ok=True)
        copied(run, target, vehicle, start)
    return data


def cards(data):
    """The cards of two tests of two cars."""
    found = []
    for vehicle in ("car-01", "car-02"):
        run = sorted((data / f"vehicle={vehicle}").iterdir())[0]
        card = data.parent / f"{data.name}-{vehicle}.toml"
        card.write_text(CARD.format(vehicle=vehicle, run=run))
        found.append(card)
    return found


def figures(context):
    from timing import RELEASE, Figure, alternate, measure, peak, seconds

    program, folder = RELEASE / "drawdown", context.folder / "growth"
    folder.mkdir()
    run = first_run(folder, program)
    sets = {runs: season(run, folder / f"season-{runs}", runs) for runs in SETS}
    one = {runs: sorted((data / "vehicle=car-01").iterdir())[3] for runs, data in sets.items()}
    jobs = {}
    for runs, data in sets.items():
        two = cards(data)
        for what, words in (
            ("list", ["runs", data]),
            ("list one vehicle", ["runs", data, "--vehicle", "car-02"]),
            ("verify one run", ["verify", one[runs]]),
            ("verify one vehicle", ["verify", data / "vehicle=car-02"]),
            ("compare two tests", ["compare", *two]),
            ("verify all", ["verify", data]),
        ):
            jobs[what, runs] = lambda words=words: measure([program, *words])
    # A second a vehicle, half a minute a season: for the long form alone.
    slow = {key: jobs.pop(key) for key in list(jobs) if key[0] in ("verify one vehicle", "verify all")}
    results = alternate(jobs, 2 * context.runs + 1) | (alternate(slow, 3) if context.long else {})
    for runs in SETS:
        listed = sum(line.lstrip().startswith("2027") for line in results["list", runs][0].text.splitlines())
        assert listed == runs, (listed, runs)
        for what, count in (("verify one run", 1), ("verify one vehicle", 10), ("verify all", runs)):
            for run in results.get((what, runs), []):
                assert run.text.splitlines()[-1] == f"{count} sound, 0 not sound", run.text

    small, large = SETS
    print(f"\na data set of {small} and of {large} runs of {HOURS} h, one core, medians of {2 * context.runs + 1}, of a vehicle and all verified 3")
    print(f"{'':24}{f'ms at {small}':>12}{f'ms at {large}':>12}{'ratio':>9}{'peak MB':>9}{'':3}")
    time = lambda what, runs: seconds(results[what, runs])
    for what in dict.fromkeys(what for what, _ in results):
        ratio = time(what, large) / time(what, small)
        print(f"{what:24}{time(what, small) * 1e3:12.1f}{time(what, large) * 1e3:12.1f}{ratio:9.2f}{peak(results[what, large]):9.1f}")
    grown, asked = large / small, lambda what: time(what, large) / time(what, small)
    same = lambda key, what: Figure(key, f"{what}: time in {large} runs over that in {small}", "at most", 1.2, asked(what))
    each = lambda key, what: Figure(key, f"{what}: time a run in {large} runs over that in {small}", "at most", 1.2, asked(what) / grown)
    long = context.long
    return [
        each("growth_list", "list"),
        Figure("growth_list_ms", f"list of {large} runs, ms", "at most", 200, time("list", large) * 1e3),
        same("growth_list_vehicle", "list one vehicle"),
        same("growth_verify_one", "verify one run"),
        same("growth_compare", "compare two tests"),
        *([same("growth_verify_vehicle", "verify one vehicle"), each("growth_verify_all", "verify all")] if long else []),
    ]
