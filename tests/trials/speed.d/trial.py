"""The trial `speed`: every part beside its peers, one table of targets and what was measured, and one JSON object.

trial.py FRAMES SEED. Exit status 0 if the targets are met: at 10,000,000 frames or more all of them, below that those that hang neither on
the machine's load nor on the log's length.
"""

import json
import sys
import tempfile
from pathlib import Path

import growth
import live
import reduction
import replay
import size
import writing
from timing import ROOT, Context

PARTS = (replay, size, writing, reduction, live, growth)


def shown(value):
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def main(folder):
    frames = int(sys.argv[1])
    context = Context(folder, frames, sys.argv[2], 5 if frames >= 10_000_000 else 1)
    figures = [figure for part in PARTS for figure in part.figures(context)]
    print(f"\n{'':22}{'':60}{'target':>16}{'measured':>10}")
    for figure in figures:
        judged = context.long or figure.steady
        word = "met" if figure.met else "NOT MET" if judged else "not met; not judged at this length"
        target = f"{figure.sense} {figure.target:g}"
        print(f"{figure.target_name:22}{figure.what:60}{target:>16}{shown(figure.measured):>10}  {word}")
    last = {
        figure.target_name: {"target": figure.target, "measured": float(f"{figure.measured:.4g}"), "met": figure.met}
        for figure in figures
    }
    print(json.dumps({**last, "frames": frames}))
    return all(figure.met for figure in figures if context.long or figure.steady)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=ROOT / "target") as scratch:
        sys.exit(0 if main(Path(scratch)) else 1)
