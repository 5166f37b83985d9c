"""The trial `disk`: a disk that stalls, is nearly full, and is full, under three full buses on the bench; a table, then one JSON object.

trial.py short|long. Exit status 0 if the stall lost nothing, if of the run before only raw frames went when room ran short, and if a
full disk ended in a following run that lacks at most what the queue could not hold, and of what the map decodes nothing.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import pyarrow.dataset as ds

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT / "tests/bench"))
from harness import disk, machine  # noqa: E402

HERE, RELEASE = Path(__file__).parent, ROOT / "target/release"
LONG = sys.argv[1:] == ["long"]
STALL_S, FULL_S = (30, 55) if LONG else (8, 6)
PLAY_S = 4 + FULL_S + 40 if LONG else 30
TABLE = []


def row(name, held, detail=""):
    """Takes one result and prints it."""
    TABLE.append(bool(held))
    print(f"{'held  ' if held else 'BROKEN'}  {name:<66} {detail}", flush=True)


def read(run):
    """A run's `run.json`."""
    return json.loads((run / "run.json").read_text())


def rows(run, table):
    """Rows of a table; 0 where the run has none."""
    return ds.dataset(run / table, format="parquet").count_rows() if (run / table).exists() else 0


def payloads(runs, table):
    """The alive counters of a message's samples over runs, in order: what was sent, none missing, none twice."""
    return [tuple(values) for run in runs for values in zip(
        *(ds.dataset(run / table, format="parquet").to_table()[name].to_pylist() for name in ("PackFastA", "PackFastB")), strict=True)]


def main():
    """Starts the guest, looks at what came out; returns the exit status."""
    with tempfile.TemporaryDirectory(prefix="disk-") as name:
        return trial(Path(name))


def trial(folder):
    """See `main`."""
    log = folder / "full"
    subprocess.run([RELEASE / "examples/trials", "endure", "log", log, str(PLAY_S), "3", "1", "1e9", "0", "1"], check=True)
    lines = (log / "drive.log").read_text().splitlines()
    sent, fast = len(lines), sum(" vcan0 100#" in line for line in lines)
    subprocess.run(["zstd", "-q", "-1", log / "drive.log", "-o", folder / "full.log.zst"], check=True)
    bring_in = [(RELEASE / name, f"/bin/{name}") for name in ("drawdown", "drawdownd")]
    bring_in += [(folder / "full.log.zst", "/bench/full.log.zst"), (log / "map.toml", "/bench/map.toml")]
    outcome = machine.Machine(
        HERE / "guest.sh", bring_in=bring_in, bring_out=[(folder / "DATA", "/tmp/DATA")],
        disks=[disk.Wanted(folder / "disk.img", 64 << 20)], settings={"STALL_S": str(STALL_S), "FULL_S": str(FULL_S)}, processors=2,
        memory_mb=1024, timeout_s=4 * PLAY_S + 240.0, console=folder / "console", echo=False).run()
    facts = dict(line.split("|", 2)[1:] for line in outcome.output.splitlines() if line.startswith("FACT|"))
    logged = [line for line in outcome.output.splitlines() if line.startswith("LOG|")]
    runs = sorted((folder / "DATA/vehicle=heron").glob("run=*"), key=lambda run: read(run)["start_utc"] if (run / "run.json").exists() else "")
    if outcome.status != 0 or not runs:
        print(f"status {outcome.status}, {outcome.ended}", outcome.output, outcome.console_tail, sep="\n")
        return 1
    first = facts.get("stall: runs", "").split()
    stalled, later = [run for run in runs if run.name in first], [run for run in runs if run.name not in first]
    keeping = {name: json.loads(facts[f"{name}: status"])["keeping"] for name in ("stall", "full")}
    print("\n".join(logged))

    row("every run opens", all((run / "run.json").exists() and not (run / "journal").exists() for run in runs), f"{len(runs)} runs")
    verified = subprocess.run([RELEASE / "drawdown", "verify", folder / "DATA"], capture_output=True, text=True, check=False)
    row("every run verifies", verified.returncode == 0, "" if verified.returncode == 0 else verified.stdout + verified.stderr)
    told = read(stalled[0])
    row(f"the disk stands still for {STALL_S} s: one run, every frame", facts.get("stall: frozen") == facts.get("stall: thawed") == "yes" and len(stalled) == 1
        and told["counts"]["frames"] == sent, f"{told['counts']['frames']} of {sent}")
    row("nothing was dropped meanwhile", not any(keeping["stall"][f"dropped_{kind}"] for kind in ("undecoded", "decoded", "other")))
    row("below the floor, raw frames of the run before go, noted", facts.get("full: frames of the run before went") == "yes"
        and not (stalled[0] / "frames").exists() and [table["folder"] for table in told.get("removed", [])] == ["frames"])
    row("its other tables stay", rows(stalled[0], "samples/message=PackFast") == fast and rows(stalled[0], "trace") > 0)
    row("a full disk is said", facts.get("full: said") == "yes" and any("disk is full" in trouble["text"] for run in later for trouble in read(run)["troubles"]))
    kept = sum(read(run)["counts"]["frames"] for run in later)
    dropped = keeping["full"]["dropped_undecoded"] + keeping["full"]["dropped_decoded"]
    row("once there is room a following run goes on", facts.get("full: goes on") == "yes" and len(later) >= 2, f"{len(later)} runs")
    row("every frame is kept or counted as dropped", kept + dropped == sent, f"{kept} + {dropped} of {sent}")
    sent_samples, kept_samples = payloads(stalled, "samples/message=PackFast"), payloads(later, "samples/message=PackFast")
    odd = next((n for n, pair in enumerate(zip(sent_samples, kept_samples, strict=False)) if pair[0] != pair[1]), None)
    row("of what the map decodes nothing is missing, nothing is there twice", len(kept_samples) == fast and kept_samples == sent_samples,
        f"{len(kept_samples)} of {fast} samples" + ("" if odd is None else f", the first odd one is number {odd}"))
    rss = max(int(facts[f"{name}: rss_kb"]) for name in keeping)
    print(json.dumps({
        "trial": "disk", "stall_s": STALL_S, "full_s": FULL_S, "frames_sent": sent, "stall_frames_lost": sent - told["counts"]["frames"],
        "full_frames_dropped": dropped, "full_decoded_dropped": keeping["full"]["dropped_decoded"], "runs": len(runs), "peak_rss_kb": rss,
        "held": all(TABLE)}))
    return 0 if all(TABLE) else 1


if __name__ == "__main__":
    sys.exit(main())
