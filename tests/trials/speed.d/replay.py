"""The trial `speed`, replay: text parsed, decoded and integrated beside its peers, on one thread and two, with and without Parquet.

T1 to T5 and T12. Measures no file's size.
"""

import hashlib
import json
import statistics

from jobs import PEERS, SPEED, TABLES, ingest, log_of, run_folder, told
from timing import Figure, alternate, measure, peak, seconds

PEER_LINES = 100_000
"""python-can and cantools take minutes for a whole log: their rate comes from its first lines, their start left out."""


def digests(context):
    folder = run_folder(context)
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def side_by_side(command):
    """Two of a process at once, one on each core: so fast can two threads be at the most."""
    script = 'taskset -c 0 "$@" >&2 & other=$!; taskset -c 1 "$@" && wait $other'
    return measure(["sh", "-c", script, "sh", *command], cores=2, allowed=(0,))


def figures(context):
    frames = context.frames
    log, map_file = log_of(context, frames)
    jobs = {
        "wc -l": lambda: measure(["wc", "-l", log]),
        "parse": lambda: measure([*SPEED, "parse", log]),
        "parse, decode, ledger": lambda: measure([*SPEED, "ledger", log, map_file]),
        "parse, decode, ledger, two threads": lambda: measure([*SPEED, "ledger", log, map_file, "2"], cores=2),
        "parse, decode, ledger, two processes at once": lambda: side_by_side([*SPEED, "ledger", log, map_file]),
        "ingest, frames and samples": lambda: ingest(context, log, map_file),
        "ingest, two threads": lambda: ingest(context, log, map_file, threads=2),
        "polars, 40 signals and integral": lambda: measure([*PEERS, "polars", log, map_file]),
    }
    results = alternate(jobs, context.runs)
    print(f"\nreplay, {frames} frames, seed {context.seed}, one core unless said, medians of {context.runs}")
    at_once = "parse, decode, ledger, two processes at once"
    both = {at_once: results.pop(at_once)}
    told(results, results, frames)
    told(both, both, 2 * frames)
    took = {name: seconds(runs) for name, runs in results.items()}

    lines = min(frames, PEER_LINES)
    peer = [json.loads(measure([*PEERS, "cantools", log, map_file, lines]).text) for _ in range(3)]
    peer_rate = statistics.median(run["frames"] / run["seconds"] for run in peer)
    print(f"{'python-can + cantools, first ' + str(lines) + ' lines':44}{'':9}{peer_rate / 1e6:12.3f}")

    ingest(context, log, map_file, threads=2)
    two = digests(context)
    ingest(context, log, map_file)
    assert digests(context) == two, "two threads give other bytes than one"
    ours = json.loads(results["parse, decode, ledger"][0].text)
    assert json.loads(results["parse, decode, ledger, two threads"][0].text)["net_wh"] == ours["net_wh"]
    wh, km = json.loads(measure([*TABLES, "sums", run_folder(context)]).text)
    apart = max(abs(ours["net_wh"] / wh - 1), abs(ours["distance_m"] / 1000 / km - 1))

    tenth = max(frames // 10, 100_000)
    small = peak([ingest(context, *log_of(context, tenth))])
    large = peak(results["ingest, frames and samples"])
    print(f"ingest peak memory: {small:.1f} MB at {tenth} frames, {large:.1f} MB at {frames}; two threads {peak(results['ingest, two threads']):.1f} MB")

    ledger = took["parse, decode, ledger"]
    return [
        Figure("T1", "replay, time over wc -l", "at most", 8, ledger / took["wc -l"]),
        Figure("T2", "replay, speed over polars", "at least", 4.5, took["polars, 40 signals and integral"] / ledger),
        Figure("T3", "replay, speed over python-can + cantools", "at least", 90, frames / ledger / peer_rate),
        Figure("T4", "replay, two threads over one", "at least", 1.7, ledger / took["parse, decode, ledger, two threads"]),
        Figure("T4_parquet", "ingest to Parquet, two threads over one", "at least", 1.7,
               took["ingest, frames and samples"] / took["ingest, two threads"]),
        Figure("T5", "ingest to Parquet, peak MB", "at most", 32, max(small, large), steady=True),
        Figure("T5_growth", "its growth over ten times the frames, MB", "at most", 6, large - small),
        Figure("T12", "net Wh and km against DuckDB, relative", "at most", 1e-9, apart, steady=True),
    ]
