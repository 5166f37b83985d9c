"""The first half of the trial: frames of random configurations, judged as they come.

The program's part writes them; `rules` judges. Numbers alone are kept, so it takes any count.
"""

import json
import subprocess

import numpy as np

import rules

RECORD = np.dtype([("configuration", "<u8"), ("since_us", "<u8"), ("id", "<u4"), ("bits", "<u4"), ("data", "u1", 8)])
BITS = ("extended", "opened", "vehicle_number", "addressed", "plain", "denied", "ended", "heard", "used_by_others")
AT_ONCE = 1 << 17


def forbidden(rows):
    """Which of these frames may not have been sent."""
    bit = {name: (rows["bits"] >> place & 1).astype(bool) for place, name in enumerate(BITS)}
    allowed = rules.is_allowed(rows["id"].astype(np.int64), bit["extended"], rows["data"], bit["opened"], bit["addressed"],
                               bit["plain"])
    untimely = (rows["since_us"] < rules.LISTENING_US) | bit["denied"] | bit["ended"] | ~bit["heard"]
    return ~allowed | untimely | bit["used_by_others"]


def run(program: list, configurations: int, seed: str) -> dict:
    """Judges so many configurations; the program's own counts beside the frames seen and forbidden."""
    frames = requests = wrong = opened = 0
    first = None
    with subprocess.Popen([*program, str(configurations), seed], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        while chunk := process.stdout.read(AT_ONCE * RECORD.itemsize):
            if len(chunk) % RECORD.itemsize:
                raise SystemExit("the program's last record is cut off")
            rows = np.frombuffer(chunk, RECORD)
            bad = forbidden(rows)
            frames += len(rows)
            wrong += int(bad.sum())
            if first is None and bad.any():
                first = rows[bad][0].tolist()
            flow = np.isin(rows["data"][:, 0], (0x30, 0x32))
            requests += int((~flow).sum())
            opened += int((rows["bits"] >> 1 & 1).sum())
        complaint = process.stderr.read().decode()
    if process.returncode:
        raise SystemExit(f"the program failed: {complaint}")
    return json.loads(complaint) | {"frames": frames, "requests": requests, "forbidden": wrong, "first_forbidden": first,
                                    "frames_with_others_open": opened}
