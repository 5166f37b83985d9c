"""The second half of the trial: a capture of the bus and the daemon's data set, judged by the standards and the ECUs' log.

Whatever is on the bus and is neither an ECU's, nor the talking module's, nor a mark of the script, was sent by the daemon.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import rules
import scene

LINE = re.compile(r"\((\d+\.\d+)\) \S+ ([0-9A-F]+)#([0-9A-F]*)$")
ERROR, TALK = 0x20000000, 0x2B0
OTHER_TESTER = (0x7E3, "03229009CCCCCCCC")
LISTENING_S = rules.LISTENING_US / 1e6
AWAKE_FOR_S, LATENESS_S = 5.0, 1.0
"""How long after its last frame a bus may still be asked, and what the emulated machine may take to notice."""
NOTICE_S = 0.1
"""How long a frame may take to be noticed: requests that leave meanwhile were right when they were made."""
OPENED = {0x6F1}
"""What the map asks of the identifiers that the configuration opens; it has an address byte."""


@dataclass
class Frame:
    """A captured frame; `at` in seconds."""

    at: float
    id: int
    extended: bool
    error: bool
    data: str


def read(path: Path) -> list[Frame]:
    """The frames of a candump log, in its order."""
    frames = []
    for line in path.read_text().splitlines():
        found = LINE.match(line)
        if not found:
            raise SystemExit(f"{path}: '{line}' is no frame")
        at, digits, data = found.groups()
        number = int(digits, 16)
        error = len(digits) == 8 and bool(number & ERROR)
        frames.append(Frame(float(at), number & 0x1FFFFFFF, len(digits) == 8 and not error, error, data))
    return frames


def is_ours(frame: Frame) -> bool:
    """Whether it can only be the daemon's."""
    others = {*scene.ANSWERS_BY.values(), TALK, 0x100}
    return not frame.error and frame.id not in others and (frame.id, frame.data) != OTHER_TESTER


def mark(frames: list[Frame], found) -> float:
    """When a mark was on the bus."""
    at = [frame.at for frame in frames if found(frame)]
    if len(at) != 1:
        raise SystemExit(f"a mark of the script was seen {len(at)} times")
    return at[0]


def judge(frames: list[Frame]) -> tuple[list[str], dict]:
    """What was wrong with what the daemon sent, and how much of what it sent."""
    ours = [frame for frame in frames if is_ours(frame)]
    data = np.zeros((len(ours), 8), np.uint8)
    wrong = []
    for at, frame in enumerate(ours):
        if len(frame.data) != 16:
            wrong.append(f"not 8 bytes: {frame}")
        data[at] = list(bytes.fromhex(frame.data)[:8].ljust(8, b"\0"))
    ids = np.array([frame.id for frame in ours], np.int64)
    extended = np.array([frame.extended for frame in ours], bool)
    opened = np.isin(ids, list(OPENED))
    allowed = rules.is_allowed(ids, extended, data, opened, opened, ~opened)
    wrong += [f"not on the list: {ours[at]}" for at in np.flatnonzero(~allowed)]
    numbers = np.where(opened, rules.asks_for_vehicle_number(data)[1], rules.asks_for_vehicle_number(data)[0])
    again = mark(frames, lambda frame: frame.id == 0x100 and frame.data == "04")
    wrong += [f"asks for the vehicle number unasked: {ours[at]}" for at in np.flatnonzero(numbers)
              if ours[at].at < again or (ours[at].id, ours[at].data[:6]) != (rules.FUNCTIONAL_11, "020902")]
    wrong += untimely(frames, ours)
    content = np.where(opened[:, None], np.roll(data, -1, axis=1), data)
    flow = np.isin(content[:, 0], (0x30, 0x32))
    counts = {"requests": int((~flow).sum()), "flow_control": int(flow.sum()),
              "overflow": int((content[:, 0] == 0x32).sum())}
    return wrong, counts


def untimely(frames: list[Frame], ours: list[Frame]) -> list[str]:
    """What was sent when nothing may be sent, told from the marks."""
    is_mark = lambda text: lambda frame: frame.id == 0x100 and frame.data == text
    start, asleep, awake = (mark(frames, is_mark(text)) for text in ("01", "02", "03"))
    error = mark(frames, lambda frame: frame.error and frame.id == 0x08)
    passive = mark(frames, lambda frame: frame.error and frame.id == 0x04)
    tester = mark(frames, lambda frame: (frame.id, frame.data) == OTHER_TESTER)
    silent_from = max(frame.at for frame in frames if frame.id == TALK and frame.at < asleep) + AWAKE_FOR_S + LATENESS_S
    again = mark(frames, is_mark("04"))
    closed = [
        ("before 2 s of listening", 0.0, start + LISTENING_S, None),
        ("within 2 s of an error frame", error + NOTICE_S, error + LISTENING_S, None),
        ("to a bus that sleeps", silent_from, awake, None),
        ("by another tester's identifier", tester + NOTICE_S, again, OTHER_TESTER[0]),
        ("after error-passive", passive + NOTICE_S, again, None),
        ("before 2 s of listening, again", again, again + LISTENING_S, None),
    ]
    wrong = [f"{why}: {frame}" for why, since, until, only in closed for frame in ours
             if since < frame.at < until and only in (None, frame.id)]
    # The rules mean nothing unless it asks in between.
    open_again = [("after listening", start + LISTENING_S, error), ("after an error frame", error + LISTENING_S, asleep),
                  ("after waking", awake, tester), ("after another tester came", tester, passive),
                  ("in the second run", again + LISTENING_S, float("inf"))]
    return wrong + [f"nothing was asked {when}" for when, since, until in open_again
                    if not any(since < frame.at < until for frame in ours)]


def answers(path: Path) -> dict[int, list[bytes]]:
    """What each ECU answered, in order, by its own log; pleas and refusals are no replies."""
    said: dict[int, list[bytes]] = {}
    for line in path.read_text().splitlines():
        name, payload = line.split()
        if not payload.startswith("7F"):
            said.setdefault(scene.ANSWERS_BY[name], []).append(bytes.fromhex(payload))
    return said


def table(folder: Path, data: str, name: str):
    """A table of the one run of a data set, in the order of time."""
    return pq.read_table(*folder.glob(f"{data}/vehicle=bench/run=*/{name}"), partitioning=None).sort_by("t_us")


def compare(folder: Path) -> tuple[list[str], dict]:
    """Whether what the data set holds is what the ECUs said: replies byte for byte in order, and the values they mean."""
    said = answers(folder / "answers.txt")
    rows, after = (table(folder, data, "polls").to_pylist() for data in ("DATA", "DATA-NUMBER"))
    wrong, kept, lost = [], 0, 0
    for id, payloads in said.items():
        got = [row["reply"] for row in rows + after if row["id"] == id]
        expected = [payload for payload in payloads if len(payload) <= 4095]
        kept += len(got)
        lost += len(expected) - len(got)
        rest = iter(expected)
        wrong += [f"{id:X}: {reply.hex()[:40]} was not said, or not then" for reply in got if reply not in rest]
    values = 0
    for name, (head, meaning) in scene.MEANINGS.items():
        expected = [meaning(row["reply"]) for row in rows if row["reply"].hex().upper().startswith(head)]
        samples = table(folder, "DATA", f"samples/message={name}")
        columns = [samples[column].to_pylist() for column in samples.column_names if column not in ("t_us", "bus")]
        got = list(zip(*columns))
        values += len(got) * len(columns)
        same = len(got) == len(expected) and all(
            abs(a - b) <= 1e-9 * max(1.0, abs(b)) for mine, theirs in zip(got, expected) for a, b in zip(mine, theirs))
        if not same or not got:
            wrong.append(f"{name}: decoded {got[:3]}... of {len(got)}, expected {expected[:3]}... of {len(expected)}")
    return wrong, {"replies_said": kept + lost, "replies_recorded": kept, "values_equal": values}


def vehicle_numbers(folder: Path) -> list[str]:
    """Whether the vehicle number is in the data set that was to have it, of both ECUs, and in no other."""
    def kept(data):
        rows = table(folder, data, "polls").to_pylist()
        number = bytes.fromhex("490201" + scene.VEHICLE_NUMBER)
        at_all = {row["id"] for row in rows if row["reply"][:1] == b"\x49"}
        return {row["id"] for row in rows if row["reply"] == number}, at_all
    wanted, unwanted = kept("DATA-NUMBER"), kept("DATA")
    wrong = [] if wanted[0] == wanted[1] == {0x7E8, 0x7EC} else [f"the vehicle number was recorded of {wanted}"]
    return wrong + ([] if unwanted[1] == set() else ["the vehicle number was recorded unasked"])


def blind_spots(frames: list[Frame], wrong: int) -> list[str]:
    """What the judge does not see: each of these frames, put into the capture, must make one more forbidden."""
    is_mark = lambda text: lambda frame: frame.id == 0x100 and frame.data == text
    start, asleep, awake, again = (mark(frames, is_mark(text)) for text in ("01", "02", "03", "04"))
    fine = mark(frames, lambda frame: frame.error and frame.id == 0x08) - 0.01
    harmless = "02010D5555555555"
    planted = [Frame(fine, id, wide, False, data) for id, wide, data, *_, allowed in rules.KNOWN
               if not allowed and id not in {*scene.ANSWERS_BY.values()} | OPENED]
    planted += [Frame(at, 0x7E0, False, False, harmless)
                for at in (start - 0.1, start + 1.9, fine + 1.5, awake - 0.1, again - 0.1, again + 1.9)]
    planted += [Frame(again - 0.1, 0x7E3, False, False, harmless), Frame(fine, 0x7E0, False, False, "0322F19055555555"),
                Frame(fine, 0x7DF, False, False, "0209025555555555"),
                Frame(again + 3, 0x7E0, False, False, "0322F19055555555")]
    return [f"the judge did not see {one}" for one in planted
            if len(judge(sorted([*frames, one], key=lambda frame: frame.at))[0]) <= wrong]
