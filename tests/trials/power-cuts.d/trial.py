"""The trial `power-cuts`: kills the bench's machine while the daemon records, again and again on one disk, and looks at every run.

trial.py COUNT SEED. Kinds of cut, in turn: at a random moment of recording three full buses at their own pace, with short drives,
so that runs end and their files are made meanwhile; at a random moment of the daemon's start, while it recovers what the last cut
left; at a random moment of a fast replay, where a part of the run closes every few tenths of a second. After the last cut one
start recovers what is left. Exit status 0 if every run opens, what was lost is at most 1 s and one sync, and the energy of each run is
that of the same stretch of the input within 0.01 %.
"""

import json
import random
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow.dataset as ds

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT / "tests/bench"))
from harness import disk, machine, packages  # noqa: E402

HERE, RELEASE = Path(__file__).parent, ROOT / "target/release"
COUNT, SEED = int(sys.argv[1]), int(sys.argv[2])
SYNC_S, DRIVE_S, SLEEP_S, LOG_S = 1.0, 3.0, 2.0, 13.0
LOSS_MAX_S, ENERGY_REL = SYNC_S + 1.0, 1e-4
DRAW = random.Random(SEED)


def make_log(folder, name, *arguments):
    """A log of `trials endure` and its map, compressed; its lines with their times."""
    at = folder / name
    at.mkdir()
    subprocess.run([RELEASE / "examples/trials", "endure", "log", at, *map(str, arguments)], check=True)
    lines = (at / "drive.log").read_text().splitlines(keepends=True)
    subprocess.run(["zstd", "-q", "-1", at / "drive.log", "-o", at / "drive.log.zst"], check=True)
    return lines


# The daemon in the guest.
CONFIG = (f'vehicle = "heron"\ndata = "/data/DATA"\nmap = "/bench/map.toml"\nquiet_s = 1\nsync_every_s = {SYNC_S}\n'
          'free_space_floor_mb = 0\n[[source]]\n')
# An interface that is not there: it only puts right what was cut.
NO_CAR = 'kind = "socketcan"\ninterface = "vcan0"\n'


def replay(log, pace):
    """A log as the source."""
    return f'kind = "replay"\nrecordings = ["/bench/{log}.log.zst"]\npace = "{pace}"\n'


class Bench:
    """The machine and its disk."""

    def __init__(self, folder):
        """Prepares what goes into the guest."""
        self.folder, self.image = folder, folder / "disk.img"
        self.full = make_log(folder, "full", LOG_S, 3, 1, DRIVE_S, SLEEP_S, SEED)
        self.sparse = make_log(folder, "sparse", 3000, 1, 24, 1e9, 0, SEED)
        for mode, source in (("record", replay("full", "real time")), ("long", replay("sparse", "fast")), ("recover", NO_CAR)):
            (folder / f"{mode}.toml").write_text(CONFIG + source)
        work = [(folder / f"{mode}.toml", f"/bench/{mode}.toml") for mode in ("record", "long", "recover")]
        work += [(folder / name / "drive.log.zst", f"/bench/{name}.log.zst") for name in ("full", "sparse")]
        work += [(folder / "full/map.toml", "/bench/map.toml")]
        self.bring_in = [*work, *((RELEASE / name, f"/bin/{name}") for name in ("drawdown", "drawdownd"))]

    def start(self, mode, at_cut="lose", line=None, after_ms=None, timeout_s=180.0):
        """One start; how it ended."""
        wanted = disk.Wanted(self.image, 2 << 30, at_cut, DRAW.randrange(1 << 30))
        return machine.Machine(
            HERE / "guest.sh", bring_in=self.bring_in, disks=[wanted], settings={"MODE": mode}, processors=2, memory_mb=640,
            timeout_s=timeout_s, cut_on_line=line, cut_after_ms=after_ms, console=self.folder / "console", echo=False).run()


def micros(line):
    """A line's stamp, microseconds."""
    return int(line[1:line.index(".")]) * 1_000_000 + int(line[line.index(".") + 1:line.index(")")])


def times(lines):
    """When each frame of a log came, s since the first."""
    first = micros(lines[0])
    return [(micros(line) - first) * 1e-6 for line in lines]


def drives(lines):
    """A log's drives: (first index, end index)."""
    at, found, first = times(lines), [], 0
    for index in range(1, len(at) + 1):
        if index == len(at) or at[index] - at[index - 1] > 1.0:
            found.append((first, index))
            first = index
    return found


def extract(image, into):
    """Reads the data set out of the image, whose file system was unmounted in order."""
    root = packages.ready()
    tool = next(path for path in (shutil.which("debugfs"), root / "sbin/debugfs", root / "usr/sbin/debugfs") if path and Path(path).exists())
    subprocess.run([tool, "-R", f"rdump /DATA {into}", image], check=True, capture_output=True)
    return sorted((into / "DATA/vehicle=heron").glob("run=*"))


class Reference:
    """What ingest makes of the first frames of a stretch of the input, which no cut has touched."""

    def __init__(self, folder, map_file):
        """Remembers what was asked before."""
        self.folder, self.map, self.known = folder, map_file, {}

    def sums(self, lines, first, count):
        """The ledger's sums of `count` frames from `first` on."""
        key = (id(lines), first, count)
        if key not in self.known:
            log, into = self.folder / "stretch.log", self.folder / "stretch"
            log.write_text("".join(lines[first:first + count]))
            shutil.rmtree(into, ignore_errors=True)
            subprocess.run([RELEASE / "drawdown", "ingest", log, "--map", self.map, "--vehicle", "heron", "--into", into],
                           check=True, capture_output=True)
            run = next(into.glob("vehicle=*/run=*"))
            self.known[key] = json.loads((run / "run.json").read_text())["sums"]
        return self.known[key]


def net_energy(lines, first, count):
    """The net energy of `count` frames from `first` on, J: voltage and current (of one frame, so at the same moments) are straight
    between their samples, and the product of two straight pieces is integrated exactly. Uses nothing of the program."""
    energy, before = 0.0, None
    for line in lines[first:first + count]:
        if " vcan0 100#" in line:
            at, data = micros(line), bytes.fromhex(line[line.index("#") + 1:].strip())
            volt, ampere = int.from_bytes(data[:2], "little") * 0.1, int.from_bytes(data[2:4], "little", signed=True) * 0.1
            if before is not None:
                at0, v0, i0 = before
                energy += (at - at0) * 1e-6 / 6 * (2 * v0 * i0 + v0 * ampere + volt * i0 + 2 * volt * ampere)
            before = at, volt, ampere
    return energy


def opens(run):
    """Why a run does not open; None if it verifies, and pyarrow reads every row of every table."""
    if (run / "journal").exists() or not (run / "run.json").exists():
        return "not finished"
    verified = subprocess.run([RELEASE / "drawdown", "verify", run], capture_output=True, text=True, check=False)
    if verified.returncode:
        return verified.stdout + verified.stderr
    told = json.loads((run / "run.json").read_text())
    for table in told["tables"]:
        rows = ds.dataset(run / table["folder"], format="parquet").to_table().num_rows
        if rows != table["rows"]:
            return f"{table['folder']} has {rows} rows, not {table['rows']}"
    return None


def main():
    """Cuts, recovers, looks; returns the exit status."""
    began = time.monotonic()
    folder = Path(tempfile.mkdtemp(prefix="power-cuts-"))
    try:
        return trial(folder, began)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def cut_once(bench, number):
    """One start and its cut: what is known of it."""
    kind = ("record", "record", "start", "record", "long")[number % 5]
    at_cut = DRAW.choices(("lose", "some", "keep"), (5, 4, 1))[0]
    if kind == "start":
        after_s = DRAW.uniform(0, 2.5)
        outcome = bench.start("record", at_cut, "^STARTED", after_s * 1e3)
    else:
        after_s = DRAW.uniform(0, 6.0 if kind == "record" else 3.0)
        outcome = bench.start(kind, at_cut, "^BEGAN", after_s * 1e3)
    names = re.findall(r"^BEGAN (run=\S+)", outcome.output, re.M)
    lost = outcome.disks[0]
    print(f"{number + 1:>4}  {kind:<7} {at_cut:<5} cut {after_s:5.2f} s after {'its start' if kind == 'start' else 'the run began':<14} "
          f"{lost['unflushed_blocks']:>5} blocks unflushed, {lost['unflushed_kept']:>4} kept; {outcome.ended}, {' '.join(names)}", flush=True)
    return {"kind": kind, "after_s": after_s, "names": names, "cut": outcome.ended == "cut", "output": outcome.output}


def trial(folder, began):
    """See `main`."""
    bench = Bench(folder)
    if bench.start("format").status != 0:
        print("the disk could not be made")
        return 1
    cuts = [cut_once(bench, number) for number in range(COUNT)]
    last = bench.start("recover", timeout_s=600.0)
    recovered = len(re.findall("recovered", last.output))
    print(last.output if last.status else f"the last start recovered {recovered} runs")
    runs = extract(bench.image, folder)
    reference = Reference(folder, folder / "full/map.toml")
    broken = [(run.name, why) for run in runs if (why := opens(run))]
    broken += [(f"cut {n + 1}", "was not cut: " + cut["output"][-300:]) for n, cut in enumerate(cuts) if not cut["cut"]]
    worst_rel, worst_net, ended = 0.0, 0.0, {}
    for run in runs:
        if run.name in dict(broken):
            continue
        told = json.loads((run / "run.json").read_text())
        ended[told["ended"]] = ended.get(told["ended"], 0) + 1
        lines, first = stretch_of(bench, told)
        sums = reference.sums(lines, first, told["counts"]["frames"])
        net = net_energy(lines, first, told["counts"]["frames"])
        if net:
            worst_net = max(worst_net, abs(told["sums"]["energy_out"] - told["sums"]["energy_in"] - net) / abs(net))
        for name in ("energy_out", "energy_in", "charge_out", "distance"):
            if sums[name] or told["sums"][name]:
                worst_rel = max(worst_rel, abs(told["sums"][name] - sums[name]) / max(abs(sums[name]), 1e-9))
    losses = [loss for cut in cuts if cut["kind"] == "record" and cut["names"] for loss in [loss_of(bench, runs, cut)] if loss is not None]
    said = {
        "trial": "power-cuts", "cuts": COUNT, "seed": SEED, "runs": len(runs), "runs_ended": ended, "runs_not_opening": len(broken),
        "losses_measured": len(losses), "median_loss_s": round(statistics.median(losses), 3) if losses else None,
        "worst_loss_s": round(max(losses), 3) if losses else None, "worst_energy_rel": max(worst_rel, worst_net),
        "seconds": round(time.monotonic() - began),
    }
    for name, why in broken:
        print(f"BROKEN {name}: {why}")
    print(json.dumps(said))
    held = not broken and last.status == 0 and losses and max(losses) <= LOSS_MAX_S and max(worst_rel, worst_net) <= ENERGY_REL and runs
    return 0 if held else 1


def stretch_of(bench, told):
    """The log that a run was made from, and the index of its first frame there, by the run's own start."""
    stamp = told["anchors"][0]["utc"]
    for lines in (bench.full, bench.sparse):
        for first, _ in drives(lines):
            at = micros(lines[first])
            text = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(at // 1_000_000)) + f".{at % 1_000_000:06}Z"
            # Both logs begin at the same moment: the number of frames a second tells them apart.
            dense = told["counts"]["frames"] > 2_000 * max(told["duration_s"], 1e-3) or told["duration_s"] < 0.02
            if text == stamp and dense == (lines is bench.full):
                return lines, first
    raise SystemExit(f"a run that begins at {stamp} is of neither log")


def loss_of(bench, runs, cut):
    """How much of what had been fed when the machine was cut is in no run, s; None where no drive was on."""
    at = times(bench.full)
    fed = cut["after_s"]
    given = [moment for moment in at if moment <= fed]
    start = next(begin for begin, end in drives(bench.full) if begin < len(given) <= end or len(given) == end)
    index = drives(bench.full).index(next(d for d in drives(bench.full) if d[0] == start))
    if index >= len(cut["names"]):
        kept = 0.0
    else:
        run = next((run for run in runs if run.name == cut["names"][index]), None)
        kept = json.loads((run / "run.json").read_text())["duration_s"] if run else 0.0
    return max(0.0, given[-1] - at[start] - kept)


if __name__ == "__main__":
    sys.exit(main())
