"""The trial `wear`: one full bus of 500 kbit/s recorded with a sync every 1, 2 and 5 s; a table, then one JSON object.

trial.py SECONDS. Exit status 0 if, with the default sync of 1 s, all that reached the disk (journal, states, parts, merged files, and
the file system's own records) is at most 4 times the final Parquet files, and every frame sent is in each data set.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT / "tests/bench"))
from harness import disk, machine  # noqa: E402

HERE, RELEASE = Path(__file__).parent, ROOT / "target/release"
SECONDS = int(sys.argv[1])
SYNCS_S = (1, 2, 5)
TIMES_MAX = 4.0


def main():
    """Starts the guest, tells what came of it; returns the exit status."""
    with tempfile.TemporaryDirectory(prefix="wear-") as name:
        return trial(Path(name))


def trial(folder):
    """See `main`."""
    log = folder / "full"
    subprocess.run([RELEASE / "examples/trials", "endure", "log", log, str(SECONDS), "1", "1", "1e9", "0", "1"], check=True)
    with open(log / "drive.log", "rb") as lines:
        sent = sum(1 for _ in lines)
    subprocess.run(["zstd", "-q", "-1", log / "drive.log", "-o", folder / "full.log.zst"], check=True)
    bring_in = [(RELEASE / name, f"/bin/{name}") for name in ("drawdown", "drawdownd")]
    bring_in += [(folder / "full.log.zst", "/bench/full.log.zst"), (log / "map.toml", "/bench/map.toml")]
    outcome = machine.Machine(
        HERE / "guest.sh", bring_in=bring_in, disks=[disk.Wanted(folder / f"{s}.img", 512 << 20) for s in SYNCS_S], processors=2,
        memory_mb=1024, timeout_s=3 * SECONDS + 300.0, console=folder / "console", echo=False).run()
    facts = dict((tuple(line.split("|")[1:3]), line.split("|")[3]) for line in outcome.output.splitlines() if line.startswith("FACT|"))
    if outcome.status != 0:
        print(f"status {outcome.status}, {outcome.ended}", outcome.output, outcome.console_tail, sep="\n")
        return 1
    held, said = True, []
    for s in map(str, SYNCS_S):
        (before, flushed), (after, flushes) = (map(int, facts[s, when].split()) for when in ("before", "after"))
        parquet, frames = int(facts[s, "parquet"]), int(facts[s, "frames"])
        times = (after - before) / parquet
        held &= frames == sent and facts[s, "exit"] == "0" and (s != "1" or times <= TIMES_MAX)
        said.append({"sync_s": int(s), "written_mb_per_h": round((after - before) / 1e6 / SECONDS * 3600, 1),
                     "parquet_mb_per_h": round(parquet / 1e6 / SECONDS * 3600, 1), "times_parquet": round(times, 2),
                     "flushes": flushes - flushed, "frames_lost": sent - frames})
        print(f"sync every {s} s: {(after - before) / 1e6:7.2f} MB reached the disk, final Parquet {parquet / 1e6:6.2f} MB, {times:5.2f} times; "
              f"{flushes - flushed} flushes; {frames} of {sent} frames", flush=True)
    print(json.dumps({"trial": "wear", "seconds": SECONDS, "buses": 1, "frames_sent": sent, "syncs": said, "held": held}))
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
