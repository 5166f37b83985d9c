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
LATE_MS, ATTEMPTS = 20, 3
"""A player that was later than this is started again, so many times in all."""
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


def paced(name, folder, recording):
    """Like `start`, once more while the player could not keep the recording's pace: then its energy is another one."""
    for attempt in range(ATTEMPTS):
        started = start(name, folder / f"{name}{attempt}", recording)
        late = re.search(r"the latest ([0-9.]+) ms behind", started[1].output)
        if started[1].status != 0 or not late or float(late[1]) <= LATE_MS:
            break
        print(f"        {name}: the machine is busy, the player was {late[1]} ms late", flush=True)
    return started


def start(name, folder, recording):
    """Runs a script of this trial in the guest; returns what became of it and where its data set is."""
    folder.mkdir(exist_ok=True)
    data = folder / name
    bring_in = [(RELEASE / program, f"/bin/{program}") for program in ("drawdown", "drawdownd")]
    bring_in += [(recording, f"/work/{recording.name}"), (HERE / "common.sh", "/work/common.sh")]
    bring_in += [(ROOT / f"signal-maps/demo.{kind}", f"/work/demo.{kind}") for kind in ("toml", "dbc")]
    return data, machine.Machine(
        HERE / f"{name}.sh", bring_in=bring_in, bring_out=[(data, "/tmp/DATA")] + [(folder / "captured.log", "/tmp/captured.log")] * (name == "interfaces"), settings={"SECONDS_LONG": str(DRIVE_S)},
        processors=2, memory_mb=1024, timeout_s=FULL_S + DRIVE_S + 150.0, console=folder / f"{name}.console", echo=False).run()


def facts_of(started):
    """The facts that a script of the guest printed, and the one run that it made."""
    data, outcome = started
    facts = dict(line.split("|", 2)[1:] for line in outcome.output.splitlines() if line.startswith("FACT|"))
    runs = sorted(data.glob("vehicle=*/run=*"))
    done = outcome.status == 0 and facts.get("playback's exit") == "0" and facts.get("daemon's exit") == "0"
    row(f"{data.name}: the daemon ran and stopped in order, one run", done and len(runs) == 1, facts.get("playback", ""))
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


def compare(name, live, ingested):
    """Whether both runs hold the same samples in the same order; how far their energies and their stamps lie apart."""
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
    rel = abs(net_energy(live) / net_energy(ingested) - 1)
    row(f"{name}: energy within 0.01 %", rel <= ENERGY_REL, f"{net_energy(ingested) / 3600:.1f} Wh, {rel:.2e} apart")
    row(f"{name}: stamps within 1 s of the recording's", equal and apart < 1_000_000, f"{apart / 1e3:.1f} ms at most")
    return equal, rel


def witness(live, captured, ingest):
    """Whether the daemon's stamps and energy are those of the kernel's stamps, as candump wrote them down."""
    stamps = [int(line[1:line.index(")")].replace(".", "")) for line in captured.read_text().splitlines()]
    ours = [t_us for t_us, _, _ in frames(live, "vcan0")]
    same = len(stamps) == len(ours)
    apart = max(abs((one - ours[0]) - (other - stamps[0])) for one, other in zip(ours, stamps)) if same else None
    row("stamps are the kernel's, as candump has them", same and apart <= STAMP_US, f"{apart} us apart at most")
    rel = abs(net_energy(live) / net_energy(ingest(captured)) - 1)
    row("energy is that of candump's capture", rel <= ENERGY_REL, f"{rel:.1e} apart")
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
    equal, rel = compare("a recording onto vcan", run, ingested)
    witness(run, started[0].parent / "captured.log", ingest)
    row("the interface taken down, and deleted, is said", facts.get("down is said") == facts.get("gone is said") == "yes")
    got = [(ident, data[0]) for _, ident, data in frames(run, "vcan9")]
    wanted = [(0x6A0 + phase, n) for phase in (1, 2, 3, 4) for n in (1, 2, 3)]
    row("down, up, deleted, made again: it goes on by itself", got == wanted, f"{len(got)} of {len(wanted)} frames")
    kind, refusal = facts.get("slcan's kind", ""), facts.get("playback onto slcan", "")
    row("a recording onto slcan is refused", refusal.startswith("2 ") and "is not virtual" in refusal, refusal)
    row("slcan that drives the bus is not read", "slcan0" in kind and facts.get("slcan is read") is None)
    return equal, rel


def clock(started, ingested):
    """A recording played while the wall clock is set by +1 h and -1 h."""
    facts, run = facts_of(started)
    equal, rel = compare("clock set by +1 h, then -1 h", run, ingested)
    told = read(run)
    start = datetime.fromisoformat(told["start_utc"].replace("Z", "+00:00"))
    off = (start - datetime.fromtimestamp(int(facts["start"]), timezone.utc)).total_seconds()
    # `date` knows whole seconds: each setting loses up to one.
    row("start_utc is right at the end", -2.1 <= off <= 5, f"{off:+.1f} s; {len(told['anchors'])} anchors")
    row("the clock was seen to be set twice", len(told["anchors"]) == 3)
    return equal, rel


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
    print(f"        the daemon took {cpu:.1f} % of an emulated processor for {seconds:.1f} s of three full buses")
    return {"frames_sent": sent, "frames_lost": sent - received, "cpu_percent": round(cpu, 1),
            "rss_mb": round(int(facts["rss_kb"]) / 1024, 1), "played_s": seconds}


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
            parts = [pool.submit(paced, name, folder, drive) for name in ("interfaces", "clock")]
            sent = full(folder / "full.log.zst")
            outcomes = [part.result() for part in parts]
        first, second = interfaces(outcomes[0], ingested, ingest), clock(outcomes[1], ingested)
        third = full_buses(start("full", folder / "full", folder / "full.log.zst"), sent)
    return finish({
        "seconds": round(time.monotonic() - began), "buses": 3, **third,
        "samples_equal": first[0] and second[0], "energy_rel": max(first[1], second[1])})


if __name__ == "__main__":
    sys.exit(main())
