"""The trial `only-reading`: trial.py CONFIGURATIONS SEED.

Judges what random configurations would send, then a whole session of the daemon on a CAN kernel. Prints a table and one JSON
object; exit status 0 if no forbidden frame was seen and every reply was recorded and decoded as the ECUs meant it.
"""

import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import drawn
import judge
import rules
import scene

ROOT = Path(__file__).resolve().parents[3]
HERE = Path(__file__).resolve().parent
RELEASE = ROOT / "target/release"
ASKING_S = 12
"""How long the daemon is left to ask before anything happens to the bus."""
LOST_MAX = 0.1
"""The share of replies that may come too late for their request on a machine that is emulated and busy."""
sys.path.insert(0, str(ROOT / "tests/bench"))

from harness import machine  # noqa: E402  (found by the line above)


def session(folder: Path) -> tuple[list[str], dict]:
    """The daemon on the bench; what was wrong, and counts."""
    ecu = folder / "ecu"
    subprocess.run(["cc", "-O1", "-Wall", "-Wextra", "-o", ecu, HERE / "ecu.c"], check=True)
    for name, text in [("car.toml", scene.CONFIGURATION), ("map.toml", scene.MAP), ("ecus.txt", scene.ECUS),
                       ("number-car.toml", scene.WITH_NUMBER), ("number.toml", scene.NUMBER_MAP)]:
        (folder / name).write_text(text)
    inside = [(folder / name, f"/trial/{name}") for name in
              ("ecu", "car.toml", "map.toml", "ecus.txt", "number-car.toml", "number.toml")]
    out = ("capture.log", "answers.txt", "ecu-said.txt", "daemon-said.txt", "DATA", "DATA-NUMBER")
    outcome = machine.Machine(
        HERE / "guest.sh", bring_in=[*inside, (RELEASE / "drawdownd", "/trial/drawdownd")],
        bring_out=[(folder / name, f"/trial/{name}") for name in out], settings={"ASKING": str(ASKING_S)},
        timeout_s=300.0, echo=False).run()
    if outcome.status:
        said = (folder / "daemon-said.txt").read_text() if (folder / "daemon-said.txt").exists() else ""
        return [f"the session failed with {outcome.status}: {outcome.output}{outcome.console_tail}\n{said}"], {}
    frames = judge.read(folder / "capture.log")
    wrong, counts = judge.judge(frames)
    unequal, replies = judge.compare(folder)
    unequal += judge.vehicle_numbers(folder)
    unequal += judge.blind_spots(frames, len(wrong))
    lost = replies["replies_said"] - replies["replies_recorded"]
    if lost > LOST_MAX * replies["replies_said"]:
        unequal.append(f"{lost} of {replies['replies_said']} replies were not recorded")
    return unequal, {"captured": len(frames), "forbidden": len(wrong), "wrong": wrong, **counts, **replies}


def main() -> int:
    """Both halves; returns the exit status."""
    configurations, seed = int(sys.argv[1]), sys.argv[2]
    began = time.monotonic()
    if misjudged := rules.told_apart():
        sys.exit(f"the rules misjudge {misjudged} of {len(rules.KNOWN)} known frames")
    random = drawn.run([RELEASE / "examples/trials", "only-reading"], configurations, seed)
    middle = time.monotonic()
    print(f"random configurations: {configurations}, of which {random['maps_as_text']} as a map's text; polls {random['polls']}, "
          f"refused {random['polls_refused']}; frames of the car {random['car_frames']}")
    print(f"  frames it would have sent: {random['frames']} (requests {random['requests']}), forbidden {random['forbidden']}"
          f"  [{middle - began:.0f} s]")
    if random["first_forbidden"]:
        print(f"  the first forbidden: {random['first_forbidden']}")
    folder = Path(tempfile.mkdtemp(prefix="only-reading-"))
    try:
        faults, bench = session(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    for line in [*bench.pop("wrong", []), *faults][:20]:
        print(f"  {line}")
    if bench:
        print(f"session on the bench: {bench['captured']} frames captured; of the daemon {bench['requests']} requests and "
              f"{bench['flow_control']} flow control ({bench['overflow']} overflow), forbidden {bench['forbidden']}")
        print(f"  replies {bench['replies_said']}, recorded {bench['replies_recorded']}; values equal {bench['values_equal']}"
              f"  [{time.monotonic() - middle:.0f} s]")
    sent = random["frames"] + bench.get("requests", 0) + bench.get("flow_control", 0)
    forbidden = random["forbidden"] + bench.get("forbidden", 0)
    enough = random["frames"] > configurations and bench.get("requests", 0) > 50 and bench.get("flow_control", 0) > 20
    held = forbidden == 0 and not faults and enough
    print(json.dumps({"configurations": configurations, "frames_seen": sent, "forbidden_frames": forbidden, "seed": seed,
                      "bench": bench, "faults": len(faults), "seconds": round(time.monotonic() - began, 1), "held": held}))
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
