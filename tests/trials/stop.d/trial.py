"""The trial `stop`: SIGTERM at the end of hours of three full buses; a table, then one JSON object.

trial.py HOURS. The daemon is fed through a pipe as fast as it takes it, and told to stop while more comes. Exit status 0 if it ends
within 2 s with status 0, if the next start makes what is left, if every run then verifies, and if no frame that was taken is missing.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
RELEASE = ROOT / "target/release"
HOURS = float(sys.argv[1])
STOP_MAX_S = 2.0
PART_S = 300


def main():
    """Feeds, stops, starts again; returns the exit status."""
    with tempfile.TemporaryDirectory(prefix="stop-") as name:
        return trial(Path(name))


def wait_for(what, holds, seconds):
    """Waits until a condition holds."""
    until = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > until:
            raise SystemExit(f"{what} did not happen in {seconds} s")
        time.sleep(0.02)


def daemon(folder, name, source):
    """Starts the daemon with a source."""
    config = folder / f"{name}.toml"
    config.write_text('vehicle = "heron"\ndata = "DATA"\nmap = "map.toml"\nfree_space_floor_mb = 0\n[[source]]\n' + source)
    return subprocess.Popen([RELEASE / "drawdownd", "--config", config], stderr=subprocess.DEVNULL)


def stop(process):
    """Tells it to stop: how long that takes, s, and its exit status."""
    told = time.monotonic()
    process.send_signal(signal.SIGTERM)
    status = process.wait(timeout=120)
    return time.monotonic() - told, status


def trial(folder):
    """See `main`."""
    seconds = HOURS * 3600
    last_part = int(seconds // PART_S) - 1
    os.mkfifo(folder / "drive.log")
    feeder = subprocess.Popen([RELEASE / "examples/trials", "endure", "log", folder, str(seconds + 3600), "3", "1", "1e9", "0", "1"],
                              stderr=subprocess.DEVNULL)
    wait_for("a map", (folder / "map.toml").exists, 20)
    first = daemon(folder, "first", 'kind = "replay"\nrecordings = ["drive.log"]\npace = "fast"\n')
    vehicle = folder / "DATA/vehicle=heron"
    wait_for("the last part", lambda: list(vehicle.glob(f"run=*/frames/part-{last_part:05}.parquet")), 1800)
    took, status = stop(first)
    feeder.kill()
    feeder.wait()
    run = next(vehicle.glob("run=*"))
    left = (run / "journal").exists()
    finished, second_took, second_status = 0.0, 0.0, 0
    if left:
        again = time.monotonic()
        second = daemon(folder, "second", 'kind = "socketcan"\ninterface = "vcan99"\n')
        wait_for("a finished run", lambda: (run / "run.json").exists() and not (run / "journal").exists(), 300)
        finished = time.monotonic() - again
        second_took, second_status = stop(second)
    told = json.loads((run / "run.json").read_text())
    frames = told["counts"]["frames"]
    verified = subprocess.run([RELEASE / "drawdown", "verify", folder / "DATA"], capture_output=True, text=True, check=False)
    print(verified.stdout.strip())
    # 4,374 frames a second on each bus, none left out.
    complete = abs(frames - told["duration_s"] * 3 * 4374) < 3 * 4374
    held = status == second_status == 0 and max(took, second_took) <= STOP_MAX_S and verified.returncode == 0 and complete
    print(f"{told['duration_s'] / 3600:.2f} h, {frames} frames: stopped in {took:.2f} s, "
          + (f"the next start finished the run in {finished:.2f} s" if left else "with everything made"))
    print(json.dumps({
        "trial": "stop", "hours": round(told["duration_s"] / 3600, 2), "frames": frames, "stop_s": round(took, 2), "files_left": left,
        "next_start_s": round(finished, 2), "ended": told["ended"], "sound": verified.returncode == 0, "held": held}))
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
