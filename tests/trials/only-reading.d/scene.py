"""The invented car of the trial's second half: its map, its ECUs, and what their answers mean.

No real car sends this. Meanings are computed from the formulas of SAE J1979 (Wireshark's packet-obd-ii.c; odometer: the public
table), or by hand for the invented identifiers; nothing is taken from the program under trial.
"""

CONFIGURATION = """vehicle = "bench"
data = "DATA"
map = "map.toml"

[polling]
on = true
other_identifiers = true

[[source]]
kind = "socketcan"
interface = "vcan0"
bit_rate = 500000
"""


WITH_NUMBER = CONFIGURATION.replace("DATA", "DATA-NUMBER").replace("map.toml", "number.toml").replace(
    "on = true", "on = true\nvehicle_number = true")
"""The same car, asked for its vehicle number by a map that asks for little else."""
NUMBER_MAP = '[[poll]]\nquantity = "speed"\nperiod_s = 0.5\n'


def poll(name, keys, *signals):
    """A poll written out; a signal is (name, first byte, bytes)."""
    text = f'[[poll]]\nname = "{name}"\n{keys}\n'
    for signal, byte, length in signals:
        text += (f'[[poll.signal]]\nname = "{signal}"\nstart = {8 * byte + 7}\nlength = {8 * length}\n'
                 'byte_order = "big"\n')
    return text


def ecu_poll(name, request_id, identifier, period_s, *signals, more=""):
    """A poll of service 22."""
    keys = f"request_id = {request_id:#x}\nservice = 0x22\nidentifier = {identifier:#x}\nperiod_s = {period_s}\n{more}"
    return poll(name, keys, *signals)


MAP = "".join([
    '[[poll]]\nquantity = "speed"\nperiod_s = 0.2\n',
    '[[poll]]\nquantity = "odometer"\nperiod_s = 0.5\n',
    '[[poll]]\nquantity = "pack_remaining_life"\nresponse_id = 0x7EC\nperiod_s = 0.5\n',
    '[[poll]]\nquantity = "ambient_temperature"\nperiod_s = 0.5\n',
    '[[poll]]\nquantity = "control_module_voltage"\nextended = true\nresponse_id = 0x18DAF110\nperiod_s = 1\n',
    ecu_poll("CELLS", 0x7E4, 0x4001, 0.5, ("First", 0, 1), ("Middle", 100, 2), ("Last", 176, 1)),
    ecu_poll("LONGEST", 0x7E0, 0x4002, 5, ("Last", 4091, 1)),
    ecu_poll("TOO_LONG", 0x7E0, 0x4003, 5),
    ecu_poll("WIDE", 0x18DA10F1, 0x5001, 0.5, ("Count", 16, 1), more="extended = true\n"),
    ecu_poll("BODY", 0x6F1, 0x6001, 0.5, ("Count", 27, 1), more="response_id = 0x607\necu_address = 0x07\n"),
    ecu_poll("LATE", 0x7E4, 0x7001, 6, ("Count", 0, 1)),
    ecu_poll("REFUSED", 0x7E4, 0x7002, 2),
    ecu_poll("SILENT", 0x7E2, 0x7003, 2),
    ecu_poll("APART", 0x7E6, 0x8001, 2, ("Count", 36, 1)),
    ecu_poll("SHARED", 0x7E3, 0x9001, 0.5, ("Count", 0, 1)),
    # What must never be sent, whatever the map says.
    ecu_poll("NUMBER", 0x7E0, 0xF190, 0.5),
    poll("CLEAR", "request_id = 0x7df\nresponse_id = 0x7e8\nservice = 4\nidentifier = 0\nperiod_s = 0.5"),
    poll("SESSION", "request_id = 0x7e0\nservice = 0x10\nidentifier = 3\nperiod_s = 0.5"),
    poll("FOREIGN", "request_id = 0x123\nresponse_id = 0x124\nservice = 1\nidentifier = 0x0d\nperiod_s = 0.5"),
])

VEHICLE_NUMBER = b"1D4GP00R55B123456".hex().upper()
"""The example of an adapter's data sheet, no car's."""
FILL = "5A"
CELLS = "624001**" + FILL * 99 + "1234" + FILL * 74 + "**"
LONGEST = "624002" + FILL * 4091 + "**"


def bitmap(quantities, base):
    """The bitmap of supported quantities: the first bit is base + 1."""
    bits = sum(1 << 32 - (quantity - base) for quantity in quantities if base < quantity <= base + 32)
    return f"41{base:02X}{bits:08X}"


def bitmaps(socket, every, quantities):
    """Rules that answer every bitmap as far as the car has quantities; each bitmap's last bit leads to the next."""
    last = max(quantities)
    chain = set(quantities) | {base for base in range(0x20, 0xE0, 0x20) if base < last}
    return [f"on {every} 01{base:02X} as {socket} then 0 {bitmap(chain, base)}" for base in range(0, last, 0x20)]


ECUS = "\n".join([
    "socket all-a 7DF 7E8",
    "socket a 7E0 7E8",
    "socket all-b 7DF 7EC",
    "socket b 7E4 7EC gap 2000000",
    "socket c 7E2 7EA",
    "socket d 7E3 7EB",
    "socket e 7E6 7EE gap 20000000",
    "socket all-w 18DB33F1 18DAF110",
    "socket w 18DA10F1 18DAF110",
    "socket body 6F1 607 address 07 F1",
    *bitmaps("a", "all-a", {0x0D, 0xA6}),
    *bitmaps("b", "all-b", {0x5B}),
    *bitmaps("w", "all-w", {0x42}),
    f"on all-a 0902 as a then 0 490201{VEHICLE_NUMBER}",
    f"on all-b 0902 as b then 0 490201{VEHICLE_NUMBER}",
    "on all-a 010D as a then 3 410D**",
    "on all-a 01A6 as a then 0 41A6000A2C**",
    "on all-b 015B as b then 10 415B**",
    "on all-w 0142 as w then 0 414233**",
    f"on b 224001 then 0 {CELLS}",
    f"on a 224002 then 0 {LONGEST}",
    f"on a 224003 then 0 624003{FILL * 4997}",
    f"on w 225001 then 0 625001{FILL * 16}**",
    f"on body 226001 then 0 626001{FILL * 27}**",
    "on b 227001 then 0 7F2278 then 1500 7F2278 then 3000 627001**",
    "on b 227002 then 5 7F2231",
    f"on e 228001 then 20 628001{FILL * 36}**",
    "on d 229001 then 0 629001**",
]) + "\n"

ANSWERS_BY = {"a": 0x7E8, "b": 0x7EC, "c": 0x7EA, "d": 0x7EB, "e": 0x7EE, "w": 0x18DAF110, "body": 0x607}
"""The identifier that each socket answers by."""

MEANINGS = {
    "speed": ("410D", lambda p: (p[2],)),
    "odometer": ("41A6", lambda p: (int.from_bytes(p[2:6], "big") / 10,)),
    "pack_remaining_life": ("415B", lambda p: (p[2] * 100 / 255,)),
    "control_module_voltage": ("4142", lambda p: (int.from_bytes(p[2:4], "big") / 1000,)),
    "CELLS": ("624001", lambda p: (p[3], 0x1234, p[3])),
    "LONGEST": ("624002", lambda p: (p[-1],)),
    "WIDE": ("625001", lambda p: (p[-1],)),
    "BODY": ("626001", lambda p: (p[-1],)),
    "LATE": ("627001", lambda p: (p[-1],)),
    "APART": ("628001", lambda p: (p[-1],)),
    "SHARED": ("629001", lambda p: (p[-1],)),
}
"""Of each message: how its positive replies begin, and the values of its signals in their order."""
