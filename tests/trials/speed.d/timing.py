"""The trial `speed`: processes run and measured, alternating; figures beside their targets. Knows no job and judges nothing but a figure.

Every process is pinned to the cores it is given; a time is the median of its runs, memory the largest of them.
"""

import os
import statistics
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
RELEASE = ROOT / "target/release"


@dataclass
class Context:
    """What every part is given: a scratch folder, the size and seed of the log, and how often to run."""

    folder: Path
    frames: int
    seed: str
    runs: int

    @property
    def long(self):
        """Whether the figures may be quoted: ratios move with size."""
        return self.frames >= 10_000_000


@dataclass
class Run:
    """One process: wall-clock seconds, its own user and system seconds, peak memory in MB, standard output."""

    seconds: float
    cpu: float
    peak_mb: float
    text: str


@dataclass
class Figure:
    """A measured figure beside its target. `steady`: it does not hang on the machine's load or the log's length, so the short form judges it."""

    target_name: str
    what: str
    sense: str
    target: float
    measured: float
    steady: bool = False

    @property
    def met(self):
        return self.measured <= self.target if self.sense == "at most" else self.measured >= self.target


def measure(command, cores=1, allowed=(0, 1)):
    """Runs a process on so many cores to its end. Its peak memory includes what this process held when it began: heavy work is not done here."""
    pin = set(range(cores)) if hasattr(os, "sched_setaffinity") and (os.cpu_count() or 1) >= cores else None
    said = tempfile.TemporaryFile()
    started = time.perf_counter()
    process = subprocess.Popen(
        [str(word) for word in command],
        stdout=subprocess.PIPE,
        stderr=said,
        env={**os.environ, "POLARS_MAX_THREADS": str(cores)},
        preexec_fn=(lambda: os.sched_setaffinity(0, pin)) if pin else None,
    )
    text = process.stdout.read().decode()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in allowed:
        said.seek(0)
        raise SystemExit(f"{command}: exit status {process.returncode}\n{said.read().decode()}")
    return Run(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, text)


def alternate(jobs, runs):
    """Runs each job in turn, so many times; `jobs` are name -> function that gives a Run."""
    results = {name: [] for name in jobs}
    for _ in range(runs):
        for name, job in jobs.items():
            results[name].append(job())
    return results


def seconds(runs):
    return statistics.median(run.seconds for run in runs)


def peak(runs):
    return max(run.peak_mb for run in runs)
