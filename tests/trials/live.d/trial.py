"""The trial `live`: the daemon on a real kernel's CAN, in three starts of the bench; a table, then one JSON object.

trial.py short|long. Exit status 0 if no frame was lost, the samples equal those of `drawdown ingest`, the energy agrees within
0.01 %, whatever became of the interfaces and the clock, and what is not virtual was refused.
"""

import json
import random
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timezone
from pathlib import Path

import pyarrow.dataset as ds

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT / "tests/bench"))
from harness import machine  # noqa: E402

HERE, RELEASE = Path(__file__).parent, ROOT / "target/release"
LONG = sys.argv[1:] == ["long"]
DRIVE_S, CUT_FROM_S = (120, 4127) if LONG else (20, 5367.5)
"""The cut of the committed recording that is played onto one interface: how long, and from where. Chosen so that power is low at
its beginning and end: the player can be a millisecond late, and what that moves should be little beside the promise."""
FULL_S = 60 if LONG else 20
RATE = 4374
"""Frames a second of a full 500 kbit/s bus, 8 bytes each."""
ENERGY_REL = 1e-4
LATE_MS = DRIVE_S
"""A player that was later than this, 1 ms for each second that it plays, has played another drive than the recording's: its energy is judged by the capture alone."""
STAMP_US = 1000
"""How far the daemon's stamps may lie from the kernel's own."""
BAD = ("dropped", "frames dropped", "malformed", "stamps that fit", "frames without")
"""What a source must not have counted."""
TABLE = []


def row(name, held, detail=""):
    """Takes one result and prints it."""
    TABLE.append(bool(held))
    print(f"{'held  ' if held else 'BROKEN'}  {name:<58} {detail}", flush=True)


def cut(into):
    """Cuts seconds out of the committed recording; returns how many frames they hold."""
    text = subprocess.run(["zstd", "-dcq", ROOT / "recordings/demo.log.zst"], check=True, capture_output=True).stdout
    lines = text.decode().splitlines()
    start = float(lines[0][1:lines[0].index(")")]) + CUT_FROM_S
    kept = [line for line in lines if start <= float(line[1:line.index(")")]) < start + DRIVE_S]
    plain = into.with_suffix("")
    plain.write_text("\n".join(kept) + "\n")
    subprocess.run(["zstd", "-q", "--rm", "-f", plain, "-o", into], check=True)
    return len(kept)


def full(into):
    """Writes three full buses of made-up frames, numbered on each bus; half of them are of the demo's map."""
    draw = random.Random(1)
    dbc = (ROOT / "signal-maps/demo.dbc").read_text()
    known = [int(number) for number in re.findall(r"^BO_ (\d+) ", dbc, re.M)]
    known = [number for number in known if number < 0x800]
    others = draw.sample([number for number in range(0x100, 0x700) if number not in known], len(known))
    ids = known + others
    with subprocess.Popen(["zstd", "-q", "-1", "-f", "-", "-o", into], stdin=subprocess.PIPE, text=True) as packer:
        for n in range(RATE * FULL_S):
            for bus in range(3):
                at = 1_800_000_000_000_000 + n * 1_000_000 // RATE + bus * 70
                frame = f"{ids[draw.randrange(len(ids))]:03X}#{n:08X}{draw.getrandbits(32):08X}"
                packer.stdin.write(f"({at // 1_000_000}.{at % 1_000_000:06d}) can{bus} {frame}\n")
    return 3 * RATE * FULL_S


def start(name, folder, recording):
    """Runs a script of this trial in the guest; returns what became of it, and where its files are."""
    folder.mkdir(exist_ok=True)
    bring_in = [(RELEASE / program, f"/bin/{program}") for program in ("drawdown", "drawdownd")]
    bring_in += [(recording, f"/bench/{recording.name}"), (HERE / "common.sh", "/bench/common.sh")]
    bring_in += [(ROOT / f"signal-maps/demo.{kind}", f"/bench/demo.{kind}") for kind in ("toml", "dbc")]
    outs = {"interfaces": ["DATA", "captured.log", "DROPS"], "clock": ["DATA", "captured.log"], "full": ["DATA"]}[name]
    return folder, machine.Machine(
        HERE / f"{name}.sh", bring_in=bring_in, bring_out=[(folder / there, f"/tmp/{there}") for there in outs], settings={"SECONDS_LONG": str(DRIVE_S)},
        processors=2, memory_mb=1024, timeout_s=FULL_S + DRIVE_S + 150.0, console=folder / f"{name}.console", echo=False).run()


def facts_of(started):
    """The facts that a script of the guest printed, and the one run that it made."""
    folder, outcome = started
    facts = dict(line.split("|", 2)[1:] for line in outcome.output.splitlines() if line.startswith("FACT|"))
    runs = sorted((folder / "DATA").glob("vehicle=*/run=*"))
    done = outcome.status == 0 and facts.get("playback's exit") == "0" and facts.get("daemon's exit") == "0"
    row(f"{folder.name}: the daemon ran and stopped in order, one run", done and len(runs) == 1, facts.get("playback", ""))
    if not (done and len(runs) == 1):
        print(f"status {outcome.status}, {outcome.ended}", outcome.output, outcome.console_tail, sep="\n")
        sys.exit(finish({}))
    return facts, runs[0]


def read(run):
    """A run's `run.json`."""
    return json.loads((run / "run.json").read_text())


def net_energy(run):
    """Net energy out of the pack, J, observed."""
    sums = read(run)["sums"]
    return sums["energy_out"] - sums["energy_in"]


def compare(name, facts, live, ingested):
    """Whether both runs hold the same samples in the same order; how far their energies lie apart, where that can be judged."""
    tables = sorted(path.name for path in (ingested / "samples").iterdir())
    equal, rows, apart = tables == sorted(path.name for path in (live / "samples").iterdir()), 0, 0
    for table in tables if equal else []:
        ours, theirs = (ds.dataset(run / "samples" / table, format="parquet").to_table() for run in (live, ingested))
        same = ours.drop_columns(["t_us", "bus"]).equals(theirs.drop_columns(["t_us", "bus"]))
        if same:
            stamps = zip(ours["t_us"].to_pylist(), theirs["t_us"].to_pylist(), strict=True)
            apart = max([apart, *(abs(one - other) for one, other in stamps)])
        equal, rows = equal and same, rows + len(theirs)
    row(f"{name}: samples equal those of ingest, value for value", equal, f"{rows} rows in {len(tables)} tables")
    rel, late = abs(net_energy(live) / net_energy(ingested) - 1), float(re.search(r"the latest ([0-9.]+) ms", facts["playback"])[1])
    if late <= LATE_MS:
        row(f"{name}: energy within 0.01 %", rel <= ENERGY_REL, f"{net_energy(ingested) / 3600:.1f} Wh, {rel:.1e} apart")
    else:
        print(f"        {name}: energy not judged, the machine is busy and the player was {late} ms late ({rel:.1e} apart)")
        rel = None
    row(f"{name}: stamps within 1 s of the recording's", equal and apart < 1_000_000 + late * 1e3, f"{apart / 1e3:.1f} ms at most")
    return equal, rel


def witness(name, live, captured, ingest):
    """Whether the daemon's stamps and energy are those of the kernel's stamps, as candump wrote them down.

    Where the clock was set, its settings (as the run's anchors give them) are taken out of candump's stamps.
    """
    anchors = [(one["t_us"], datetime.fromisoformat(one["utc"].replace("Z", "+00:00"))) for one in read(live)["anchors"]]
    settings = [round((utc - before).total_seconds() * 1e6) - (t_us - t_before)
                for (t_before, before), (t_us, utc) in zip(anchors, anchors[1:])]
    lines = [line.split(" ", 1) for line in captured.read_text().splitlines()]
    raw = [int(stamp.strip("()").replace(".", "")) for stamp, _ in lines]
    stamps, ahead = raw[:1], 0
    for before, stamp in zip(raw, raw[1:]):
        if abs(stamp - before) > 1_000_000_000 and settings:
            ahead += settings.pop(0)
        stamps.append(stamp - ahead)
    ours = [t_us for t_us, _, _ in frames(live, "vcan0")]
    same = len(stamps) == len(ours) and not settings
    apart = max(abs((one - ours[0]) - (other - stamps[0])) for one, other in zip(ours, stamps)) if same else None
    row(f"{name}: stamps are the kernel's, as candump has them", same and apart <= STAMP_US, f"{apart} us apart at most")
    mended = captured.with_suffix(f".{name.split()[0]}.log")
    mended.write_text("".join(f"({stamp // 1_000_000}.{stamp % 1_000_000:06d}) {rest}\n" for stamp, (_, rest) in zip(stamps, lines)))
    rel = abs(net_energy(live) / net_energy(ingest(mended)) - 1)
    row(f"{name}: energy is that of candump's capture", rel <= ENERGY_REL, f"{rel:.1e} apart")
    return rel


def frames(run, bus):
    """A bus's frames in order of time, as (t_us, id, payload)."""
    table = ds.dataset(run / "frames", format="parquet").to_table(filter=ds.field("bus") == bus)
    columns = (table[name].to_pylist() for name in ("t_us", "id", "data"))
    return sorted(zip(*columns, strict=True), key=lambda frame: frame[0])


def lost_by_name(run):
    """What the sources of a run counted as dropped."""
    counts = [source["live"]["counts"] for source in read(run)["sources"] if source.get("live")]
    return {name: n for one in counts for name, n in one.items() if name.startswith(BAD)}


def interfaces(started, ingested, ingest):
    """A recording played while another interface of the same daemon comes and goes."""
    facts, run = facts_of(started)
    equal, rel = compare("a recording onto vcan", facts, run, ingested)
    energies = [rel, witness("a recording onto vcan", run, started[0] / "captured.log", ingest)]
    row("the interface taken down, and deleted, is said", facts.get("down is said") == facts.get("gone is said") == "yes")
    got = [(ident, data[0]) for _, ident, data in frames(run, "vcan9") if ident >= 0x6A0]
    wanted = [(0x6A0 + phase, n) for phase in (1, 2, 3, 4) for n in (1, 2, 3)]
    row("down, up, deleted, made again: it goes on by itself", got == wanted, f"{len(got)} of {len(wanted)} frames")
    said = [trouble["text"] for trouble in read(run)["troubles"]]
    names = ["vcan9: error-passive", "vcan9: bus-off", "vcan9: restarted after bus-off"]
    row("error frames are named once each", all(sum(text.startswith(name) for text in said) == 1 for name in names))
    drops(next((started[0] / "DROPS").glob("vehicle=*/run=*")))
    kind, refusal = facts.get("slcan's kind", ""), facts.get("playback onto slcan", "")
    row("a recording onto slcan is refused", refusal.startswith("2 ") and "is not virtual" in refusal, refusal)
    row("slcan that drives the bus is not read", "slcan0" in kind and facts.get("slcan is read") is None)
    return equal, energies


def drops(run):
    """What the kernel dropped while the daemon was held."""
    got, told = frames(run, "vcan5"), read(run)
    dropped = told["sources"][0]["live"]["counts"].get("frames dropped by the kernel", 0)
    said = sum("the kernel dropped frames" in trouble["text"] for trouble in told["troubles"])
    row("what the kernel drops is counted, and said once", dropped > 0 and len(got) + dropped == 30_001 and said == 1,
        f"{len(got)} received and {dropped} dropped of 30001")


def clock(started, ingested, ingest):
    """A recording played while the wall clock is set by +1 h and -1 h."""
    facts, run = facts_of(started)
    equal, rel = compare("clock set by +1 h and -1 h", facts, run, ingested)
    energies = [rel, witness("clock set by +1 h and -1 h", run, started[0] / "captured.log", ingest)]
    told = read(run)
    start = datetime.fromisoformat(told["start_utc"].replace("Z", "+00:00"))
    off = (start - datetime.fromtimestamp(int(facts["start"]), timezone.utc)).total_seconds()
    # `date` knows whole seconds: each setting loses up to one.
    row("start_utc is right at the end", -2.1 <= off <= 5, f"{off:+.1f} s; {len(told['anchors'])} anchors")
    row("the clock was seen to be set twice", len(told["anchors"]) == 3)
    return equal, energies


def full_buses(started, sent):
    """Three full buses at once."""
    facts, run = facts_of(started)
    received = 0
    for bus in ("vcan0", "vcan1", "vcan2"):
        got = frames(run, bus)
        received += len(got)
        numbers = sorted(int.from_bytes(data[:4], "big") for _, _, data in got)
        whole, ordered = numbers == list(range(RATE * FULL_S)), in_order(got)
        row(f"{bus}: every frame once and in order", whole and ordered, "" if whole == ordered else f"once: {whole}, in order: {ordered}")
    dropped = lost_by_name(run)
    row("nothing dropped by kernel or queue", not dropped, dropped or "")
    seconds = int(facts["centiseconds"]) / 100
    cpu = int(facts["ticks"]) / int(facts["ticks a second"]) / seconds * 100
    row("32 MB or less", int(facts["rss_kb"]) <= 32 * 1024, f"peak {int(facts['rss_kb']) / 1024:.1f} MB")
    rate = sent / 3 / seconds
    print(f"        the daemon took {cpu:.1f} % of an emulated processor for {seconds:.1f} s; the player reached {rate:.0f} frames/s a bus")
    return {"frames_sent": sent, "frames_lost": sent - received, "cpu_percent": round(cpu, 1),
            "rss_mb": round(int(facts["rss_kb"]) / 1024, 1), "frames_per_s_and_bus": round(rate)}


def in_order(rows):
    """Whether numbers rise with time; frames of one microsecond may stand either way."""
    latest, at = -1, -1
    pending = []
    for t_us, _, data in rows:
        number = int.from_bytes(data[:4], "big")
        if t_us != at:
            latest = max([latest, *pending])
            pending, at = [], t_us
        if number < latest:
            return False
        pending.append(number)
    return True


def finish(result):
    """Prints the last line; returns the exit status."""
    held = bool(result) and all(TABLE)
    print(json.dumps({**result, "held": held}))
    return 0 if held else 1


def main():
    """Runs the parts; returns the exit status."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drive = folder / "drive.log.zst"
        played = cut(drive)
        def ingest(recording):
            """Reads a recording with `drawdown ingest`; returns the run."""
            into = folder / f"INGESTED-{recording.name}"
            words = ["ingest", recording, "--map", ROOT / "signal-maps/demo.toml", "--vehicle", "heron", "--into", into]
            subprocess.run([RELEASE / "drawdown", *words], check=True, stdout=subprocess.DEVNULL)
            return next(into.glob("vehicle=*/run=*"))

        ingested = ingest(drive)
        print(f"        {played} frames of {DRIVE_S} s, then {RATE} frames/s on each of three buses for {FULL_S} s", flush=True)
        # Side by side: both have little to do. The full buses have the machine for themselves.
        with ThreadPoolExecutor() as pool:
            parts = [pool.submit(start, name, folder / name, drive) for name in ("interfaces", "clock")]
            sent = full(folder / "full.log.zst")
            outcomes = [part.result() for part in parts]
        first, second = interfaces(outcomes[0], ingested, ingest), clock(outcomes[1], ingested, ingest)
        third = full_buses(start("full", folder / "full", folder / "full.log.zst"), sent)
    return finish({
        "seconds": round(time.monotonic() - began), "buses": 3, **third,
        "samples_equal": first[0] and second[0],
        "energy_rel": max(rel for rel in first[1] + second[1] if rel is not None),
        "energy_judged_by_recording": None not in first[1] + second[1]})


if __name__ == "__main__":
    sys.exit(main())
