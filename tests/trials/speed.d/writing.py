"""The trial `speed`, writing: text to raw frames, to decoded samples, and to both in Parquet, beside polars.

T7, T9 and the rate of both at once. `ingest` forms the digest of the recording and syncs its files besides; peers do neither. So the
same is measured without the digest too; with the syncs.
"""

from jobs import PEERS, empty_map, ingest, log_of, told, write
from timing import Figure, alternate, measure, seconds


def figures(context):
    frames = context.frames
    log, map_file = log_of(context, frames)
    out = context.folder / "peer"
    jobs = {
        "frames": lambda: ingest(context, log, empty_map(context)),
        "frames, without the log's digest": lambda: write(context, log, empty_map(context), "frames"),
        "frames, polars": lambda: measure([*PEERS, "polars-frames", log, f"{out}.parquet"]),
        "samples of 40 signals": lambda: ingest(context, log, map_file, "--no-frames"),
        "samples, without the log's digest": lambda: write(context, log, map_file, "samples"),
        "samples of 40 signals, polars": lambda: measure([*PEERS, "polars-samples", log, map_file, out]),
        "frames and samples": lambda: ingest(context, log, map_file),
    }
    results = alternate(jobs, context.runs)
    print(f"\ntext to Parquet, {frames} frames, one core, medians of {context.runs}")
    told(jobs, results, frames)
    took = {name: seconds(runs) for name, runs in results.items()}
    frames_peer, samples_peer = took["frames, polars"], took["samples of 40 signals, polars"]
    return [
        Figure("T7", "text to raw frames, speed over polars", "at least", 3.5, frames_peer / took["frames"]),
        Figure("T7_no_digest", "the same, no digest of the text formed", "at least", 3.5,
               frames_peer / took["frames, without the log's digest"]),
        Figure("T9", "text to 40 signals, speed over polars", "at least", 3, samples_peer / took["samples of 40 signals"]),
        Figure("T9_no_digest", "the same, no digest of the text formed", "at least", 3,
               samples_peer / took["samples, without the log's digest"]),
        Figure("T9_both", "frames and samples, M frames/s", "at least", 6, frames / took["frames and samples"] / 1e6),
    ]
