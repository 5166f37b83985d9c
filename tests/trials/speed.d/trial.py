"""The trial `speed`: runs ours and the peers side by side, alternating, and prints a table and one JSON object.

trial.py FRAMES SEED. Every process is pinned to one core; times are medians; memory is the largest of a process's runs.
Exit status 0 if the targets are met: at 10,000,000 frames or more all of them, below that those that do not depend on the machine.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

FRAMES, SEED = int(sys.argv[1]), sys.argv[2]
LONG = FRAMES >= 10_000_000
RUNS = 5
ROOT = Path(__file__).resolve().parents[3]
RELEASE = ROOT / "target/release"
SPEED, OURS = RELEASE / "examples/speed", RELEASE / "drawdown"
PEERS = [sys.executable, str(ROOT / "tests/trials/speed.d/peers.py")]
MEMORY_FRAMES = max(FRAMES // 10, 100_000)


def measure(command, output=None):
    """Seconds, peak memory in MB and standard output of one process on one core."""
    pin = {0} if hasattr(os, "sched_setaffinity") else None
    started = time.perf_counter()
    process = subprocess.Popen(
        [str(word) for word in command],
        stdout=subprocess.PIPE if output is None else output,
        env={**os.environ, "POLARS_MAX_THREADS": "1"},
        preexec_fn=(lambda: os.sched_setaffinity(0, pin)) if pin else None,
    )
    text = process.stdout.read().decode() if output is None else ""
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):
        sys.exit(f"{command}: exit status {process.returncode}")
    return time.perf_counter() - started, usage.ru_maxrss / 1024, text


def folder_bytes(folder):
    return sum(path.stat().st_size for path in folder.rglob("*.parquet"))


def main(folder):
    log, map_file, data = folder / "drive.log", folder / "map.toml", folder / "DATA"
    subprocess.run([SPEED, "log", str(FRAMES), SEED, log, map_file], check=True)
    small, small_map = folder / "small.log", folder / "small.toml"
    subprocess.run([SPEED, "log", str(MEMORY_FRAMES), SEED, small, small_map], check=True)

    def ingest(recording):
        shutil.rmtree(data, ignore_errors=True)
        return measure([OURS, "ingest", recording, "--map", map_file, "--vehicle", "trial", "--into", data])

    jobs = {
        "wc -l": lambda: measure(["wc", "-l", log]),
        "parse": lambda: measure([SPEED, "parse", log]),
        "parse, decode, ledger": lambda: measure([SPEED, "ledger", log, map_file]),
        "ingest, frames and samples": lambda: ingest(log),
        "polars, 40 signals and integral": lambda: measure([*PEERS, "polars", log, map_file]),
    }
    results = {name: [] for name in jobs}
    for _ in range(RUNS):
        for name, job in jobs.items():
            results[name].append(job())
    seconds = {name: statistics.median(run[0] for run in runs) for name, runs in results.items()}
    memory = {name: max(run[1] for run in runs) for name, runs in results.items()}

    # Too slow for the whole log: a rate from its first lines, start-up left out by the peer itself.
    lines = min(FRAMES, 100_000)
    peer = [json.loads(measure([*PEERS, "cantools", log, map_file, str(lines)])[2]) for _ in range(3)]
    cantools_rate = statistics.median(run["frames"] / run["seconds"] for run in peer)

    ingest(log)
    run_folder = next(data.glob("vehicle=*/run=*"))
    samples = 5 * sum(
        table["rows"] for table in json.loads((run_folder / "run.json").read_text())["tables"]
        if table["folder"].startswith("samples/")
    )
    frame_bytes = folder_bytes(run_folder / "frames") / FRAMES
    sample_bytes = folder_bytes(run_folder / "samples") / samples
    # Counted on the way and not held: a process's peak memory includes what its parent held when it was started.
    zstd = subprocess.run(f"zstd -3 -c -q '{log}' | wc -c", shell=True, check=True, capture_output=True).stdout
    text_bytes = int(zstd) / FRAMES
    memory_small = ingest(small)[1]

    ours = json.loads(results["parse, decode, ledger"][0][2])
    polars = json.loads(results["polars, 40 signals and integral"][0][2])
    # The trapezoid of the product is not the exact product of two lines: polars is a check on the size, not the digits.
    assert abs(ours["net_wh"] / polars["net_wh"] - 1) < 1e-3, (ours, polars)

    print(f"{FRAMES} frames, seed {SEED}, one core, medians of {RUNS}")
    print(f"{'':34}{'s':>9}{'M frames/s':>12}{'peak MB':>9}{'x wc -l':>9}")
    for name in jobs:
        rate = FRAMES / seconds[name] / 1e6
        print(f"{name:34}{seconds[name]:9.3f}{rate:12.2f}{memory[name]:9.1f}{seconds[name] / seconds['wc -l']:9.1f}")
    print(f"{'python-can + cantools':34}{'':9}{cantools_rate / 1e6:12.3f}")
    print(f"raw frames {frame_bytes:.2f} bytes a frame ({frame_bytes / text_bytes:.2f} of zstd -3 text), samples {sample_bytes:.2f} bytes a sample")
    print(f"ingest peak memory: {memory_small:.1f} MB at {MEMORY_FRAMES} frames, {memory['ingest, frames and samples']:.1f} MB at {FRAMES}")

    rate = FRAMES / seconds["parse, decode, ledger"]
    ingest_rate = FRAMES / seconds["ingest, frames and samples"]
    figures = {
        "ledger_mframes_per_s": (15.0, rate / 1e6, rate >= 15e6),
        "ledger_over_cantools": (40.0, rate / cantools_rate, rate >= 40 * cantools_rate),
        "ingest_mframes_per_s": (3.0, ingest_rate / 1e6, ingest_rate >= 3e6),
        "ingest_peak_mb": (64.0, memory["ingest, frames and samples"], memory["ingest, frames and samples"] <= 64),
    }
    last = {name: {"target": target, "measured": round(measured, 3), "met": met} for name, (target, measured, met) in figures.items()}
    for name, figure in last.items():
        print(f"{name:28} target {figure['target']:6}  measured {figure['measured']:9}  {'met' if figure['met'] else 'NOT MET'}")
    last["frames"], last["bytes_per_frame"], last["bytes_per_sample"] = FRAMES, round(frame_bytes, 3), round(sample_bytes, 3)
    print(json.dumps(last))
    # On a short log and a busy machine absolute speeds say little: there the ratio and the memory are judged.
    judged = figures if LONG else ("ledger_over_cantools", "ingest_peak_mb")
    return all(figures[name][2] for name in judged)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=ROOT / "target") as scratch:
        sys.exit(0 if main(Path(scratch)) else 1)
