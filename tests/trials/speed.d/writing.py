"""The trial `speed`, writing: text to raw frames, to decoded samples, and to both in Parquet, beside polars.

T7, T9 and the rate of both at once. Ours takes the digest of the recording and syncs its files besides; peers do neither.
"""

from jobs import PEERS, empty_map, ingest, log_of, told
from timing import Figure, alternate, measure, seconds


def figures(context):
    frames = context.frames
    log, map_file = log_of(context, frames)
    out = context.folder / "peer"
    jobs = {
        "frames": lambda: ingest(context, log, empty_map(context)),
        "frames, polars": lambda: measure([*PEERS, "polars-frames", log, f"{out}.parquet"]),
        "samples of 40 signals": lambda: ingest(context, log, map_file, "--no-frames"),
        "samples of 40 signals, polars": lambda: measure([*PEERS, "polars-samples", log, map_file, out]),
        "frames and samples": lambda: ingest(context, log, map_file),
    }
    results = alternate(jobs, context.runs)
    print(f"\ntext to Parquet, {frames} frames, one core, medians of {context.runs}")
    told(jobs, results, frames)
    took = {name: seconds(runs) for name, runs in results.items()}
    return [
        Figure("T7", "text to raw frames, speed over polars", "at least", 3.5, took["frames, polars"] / took["frames"]),
        Figure("T9", "text to 40 signals, speed over polars", "at least", 3,
               took["samples of 40 signals, polars"] / took["samples of 40 signals"]),
        Figure("T9_both", "frames and samples, M frames/s", "at least", 6, frames / took["frames and samples"] / 1e6),
    ]
