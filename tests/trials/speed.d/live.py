"""The trial `speed`: what live reading costs, by `standin`: processor time a frame beside one blocking call a frame, and instructions a frame.

T11a ours up to the ledger over one blocking receive and decode a frame; T11b frames lost; T11c the daemon's loop with its journal, in percent
of a core, with three full 500 kbit/s buses (4,374 frames/s each); what the kernel takes of that is told by a thread that wakes at the same ticks, takes the
same frames and throws them away. Parquet is written once a minute in a drive and at its end; the runs here are too short for
the former, so what it takes is told beside it. What a CAN driver costs is in none of it. Knows no other subject but the start (`starting.py`), whose
figure it hands on.
"""

import json
import re
import shutil
import statistics
import subprocess

import starting
from timing import RELEASE, Figure, alternate, measure

STANDIN, SPEED = (RELEASE / "examples/trials", "standin"), (RELEASE / "examples/trials", "speed")
STYLES = {
    "blocking": "one blocking receive and decode a frame",
    "bare": "the kernel's part: one thread, batches thrown away",
    "batch": "ours: batches, queue, merge, decode, ledger",
    "recording": "ours in the daemon's loop, with journal",
}
INSTRUCTION_FRAMES = 50_000, 250_000


def received(context, log, map_file):
    """Each style in turn; the JSON objects of its runs."""
    seconds, runs = (5, max(3, context.runs)) if context.long else (1, 1)

    def job(style):
        def run():
            into = context.folder / "standin"
            shutil.rmtree(into, ignore_errors=True)
            into.mkdir()
            return measure([*STANDIN, "receive", style, log, map_file, seconds, into])
        return run

    results = alternate({style: job(style) for style in STYLES}, runs)
    return {style: [json.loads(run.text) for run in of_style] for style, of_style in results.items()}


def micros(run):
    return run["cpu_s"] / run["sender"]["sent"] * 1e6


def core(run):
    return run["cpu_s"] / run["sender"]["seconds"] * 100


def tell(results):
    rate = [run["sender"]["sent"] / run["sender"]["seconds"] for runs in results.values() for run in runs]
    count = len(results["batch"])
    print(f"\nlive, three buses on the loopback, {statistics.median(rate):.0f} frames/s, medians of {count}")
    print(f"{'':54}{'us a frame':>11}{'% of a core':>12}{'sent':>9}{'received':>9}{'late':>6}")
    for style, runs in results.items():
        sent, came, late = (sum(values) for values in zip(
            *((run["sender"]["sent"], run["received"], run["sender"]["late"]) for run in runs)))
        us, percent = (statistics.median(map(value, runs)) for value in (micros, core))
        print(f"{STYLES[style]:54}{us:11.3f}{percent:12.2f}{sent:9}{came:9}{late:6}")
    files = statistics.median(run["files_s"] for run in results["recording"])
    of_core = statistics.median(run["files_s"] / run["sender"]["seconds"] * 100 for run in results["recording"])
    print(f"the run's files take {files * 1e3:.0f} ms of processor time more at its end, {of_core:.2f} % of a core over the run")
    print("late: sent more than 1 ms late by the sender")


def judge(results):
    us = {style: statistics.median(map(micros, runs)) for style, runs in results.items()}
    ours = results["batch"] + results["recording"]
    lost = sum(run["sender"]["sent"] - run["received"] + run["told_lost"] for run in ours)
    percent = statistics.median(map(core, results["recording"]))
    return [
        Figure("T11a", "live, us a frame: ours over one blocking receive a frame", "at most", 0.2, us["batch"] / us["blocking"]),
        Figure("T11b", "live, frames lost", "at most", 0, lost, steady=True),
        Figure("T11c", "live, three full buses in the daemon's loop, % of a core", "at most", 2, percent),
    ]


def instructions(command):
    """Instructions of a process in user space, by callgrind."""
    out = ["valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null", *map(str, command)]
    done = subprocess.run(out, check=True, capture_output=True, text=True)
    return int(re.search(r"Collected : (\d+)", done.stderr)[1])


def count(context, log, map_file):
    """Instructions a frame of each way: the difference of two lengths, so that the start drops out."""
    if shutil.which("valgrind") is None:
        print("\ninstructions a frame: left out, there is no valgrind here (Debian package valgrind)")
        return
    few, many = INSTRUCTION_FRAMES
    logs = {}
    for frames in INSTRUCTION_FRAMES:
        logs[frames] = context.folder / f"live-{frames}.log"
        with open(log, "rb") as lines, open(logs[frames], "wb") as out:
            out.writelines(line for line, _ in zip(lines, range(frames)))
    into = context.folder / "counted"

    def ways(frames):
        path = [logs[frames], map_file, frames, into]
        return {
            "replay: parse": [*SPEED, "parse", logs[frames]],
            "replay: parse, decode": [*SPEED, "decode", logs[frames], map_file],
            "replay: parse, decode, ledger": [*SPEED, "ledger", logs[frames], map_file],
            "ingest: frames and samples in Parquet": [RELEASE / "drawdown", "ingest", logs[frames], "--map", map_file, "--vehicle", "trial", "--into", into],
            "messages alone": [*STANDIN, "path", "none", *path],
            "live: wire to ledger": [*STANDIN, "path", "ledger", *path],
            "live: wire to journal and Parquet": [*STANDIN, "path", "recording", *path],
        }

    counted = {}
    for frames in INSTRUCTION_FRAMES:
        for name, command in ways(frames).items():
            shutil.rmtree(into, ignore_errors=True)
            counted[name, frames] = instructions(command)
    each = {name: (counted[name, many] - counted[name, few]) / (many - few) for name in ways(few)}
    print(f"\ninstructions a frame in user space (callgrind, {many} less {few} frames)")
    for name, number in each.items():
        # Making the messages is the kernel's work, not ours.
        number -= each["messages alone"] if name.startswith("live") else 0
        if name != "messages alone":
            print(f"{name:46}{number:9.0f}")


def figures(context):
    log, map_file = context.folder / "live.log", context.folder / "live.toml"
    frames = max(INSTRUCTION_FRAMES) if context.long else 60_000
    subprocess.run([*SPEED, "log", str(frames), context.seed, log, map_file], check=True)
    results = received(context, log, map_file)
    tell(results)
    if context.long:
        count(context, log, map_file)
    return judge(results) + starting.figures(context)
