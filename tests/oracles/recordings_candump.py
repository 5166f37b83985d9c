"""Writes a random candump log, then prints its frames as python-can's CanutilsLogReader reads them.

Usage: recordings_candump.py LOG SEED. One line a frame: microseconds, bus, identifier, kind, length, payload.
Half of the log is written by python-can's own writer, half here in every other form that its reader takes.
Error frames are left out: python-can does not tell all of them (it wants the bus error bit set).
"""

import random
import sys

import can

LENGTHS_FD = [*range(9), 12, 16, 20, 24, 32, 48, 64]


def random_message(rng, at):
    extended = rng.random() < 0.4
    fd = rng.random() < 0.3
    remote = not fd and rng.random() < 0.1
    data = b"" if remote else rng.randbytes(rng.choice(LENGTHS_FD) if fd else rng.randint(0, 8))
    return can.Message(
        timestamp=at, arbitration_id=rng.randrange(1 << (29 if extended else 11)), is_extended_id=extended,
        is_remote_frame=remote, is_fd=fd, is_rx=rng.random() < 0.5, channel=rng.choice(["can0", "vcan3", 7]),
        bitrate_switch=fd and rng.random() < 0.5, error_state_indicator=fd and rng.random() < 0.5, data=data,
    )


def random_line(rng, at):
    number = rng.randrange(1 << 29) if rng.random() < 0.4 else rng.randrange(1 << 11)
    digits = f"{number:08X}" if number > 0x7FF or rng.random() < 0.2 else f"{number:03X}"
    form = rng.random()
    if form < 0.1:
        body = rng.choice(["R", "r", "R0", "R4", "R8"])
    elif form < 0.3:
        body = f"#{rng.randrange(4)}{rng.randbytes(rng.choice(LENGTHS_FD)).hex()}"
    else:
        body = rng.randbytes(rng.randint(0, 8)).hex()
        body = body.upper() if rng.random() < 0.7 else body
    bus = rng.choice(["can0", "can1", "slcan12", "a", "a_long_bus_name"])
    stamp = rng.choice([f"{at:017.6f}", f"{at:.6f}"])
    end = rng.choice(["", "", " R", " T"])
    return f"({stamp}) {rng.choice(['', '', '   '])}{bus} {digits}#{body}{end}{rng.choice(['', '', chr(13)])}\n"


def main():
    path, seed = sys.argv[1], int(sys.argv[2])
    rng = random.Random(seed)
    at = 1_700_000_000.0
    with open(path, "w", newline="") as file:
        writer = can.CanutilsLogWriter(file)
        for _ in range(20_000):
            at = round(at + rng.randrange(2_000) / 1e6, 6)
            if rng.random() < 0.5:
                writer.on_message_received(random_message(rng, at))
            else:
                file.write(random_line(rng, at))
        for small in [0.000001, 12.345678]:
            file.write(f"({small:f}) can0 123#\n")
        file.flush()
    for message in can.CanutilsLogReader(path):
        kinds = [
            (message.is_extended_id, 1), (message.is_remote_frame, 2), (message.is_fd, 8),
            (message.bitrate_switch, 16), (message.error_state_indicator, 32),
        ]
        kind = sum(bit for is_so, bit in kinds if is_so)
        micros = round(message.timestamp * 1e6)
        print(micros, message.channel, message.arbitration_id, kind, message.dlc, bytes(message.data).hex() or "-")


main()
