"""The trial `speed`: the processes that more than one part measures. Measures and judges nothing itself."""

import json
import shutil
import subprocess
import sys

from timing import RELEASE, ROOT, measure, peak, seconds

SPEED, OURS = (RELEASE / "examples/trials", "speed"), RELEASE / "drawdown"
PEERS = [sys.executable, ROOT / "tests/trials/speed.d/peers.py"]
TABLES = [sys.executable, ROOT / "tests/trials/speed.d/tables.py"]


def log_of(context, frames):
    """The seeded log of so many frames and its map, made once."""
    log, map_file = context.folder / f"{frames}.log", context.folder / f"{frames}.toml"
    if not log.exists():
        subprocess.run([*SPEED, "log", str(frames), context.seed, log, map_file], check=True)
    return log, map_file


def ingest(context, log, map_file, *options, threads=1):
    """A data set made anew, and how that went."""
    data = context.folder / "DATA"
    shutil.rmtree(data, ignore_errors=True)
    command = [OURS, "ingest", log, "--map", map_file, "--vehicle", "trial", "--into", data, "--threads", threads]
    return measure([*command, *options], cores=threads)


def write(context, log, map_file, what):
    """The same without the digest of the log, which no peer forms."""
    data = context.folder / "DATA"
    shutil.rmtree(data, ignore_errors=True)
    return measure([*SPEED, "write", log, map_file, data, what])


def run_folder(context):
    return next((context.folder / "DATA").glob("vehicle=*/run=*"))


def tables(context):
    """Folder -> rows and bytes of each table of the data set made last."""
    listed = json.loads((run_folder(context) / "run.json").read_text())["tables"]
    return {table["folder"]: (table["rows"], table["bytes"]) for table in listed}


def empty_map(context):
    """A map that decodes nothing: only frames are kept."""
    path = context.folder / "nothing.toml"
    path.write_text("")
    return path


def told(names, results, frames):
    """Prints a table of what was measured."""
    print(f"{'':44}{'s':>9}{'M frames/s':>12}{'peak MB':>9}")
    for name in names:
        took = seconds(results[name])
        print(f"{name:44}{took:9.3f}{frames / took / 1e6:12.2f}{peak(results[name]):9.1f}")
