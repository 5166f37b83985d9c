"""What may be on a vehicle bus from a program that only reads, written from the standards and not from the program.

Sources: SAE J1979 services 01, 02, 03, 07, 09, 0A; ISO 14229-1 service 22 (numbers as in udsoncan); identifiers of ISO 15765-4
as in the comments of Wireshark's packet-obd-ii.c and the kernel's iso15765-2.rst; frames of ISO 15765-2 as in the kernel's
isotp.c.
"""

import numpy as np

LISTENING_US = 2_000_000
"""How long a bus must have been quiet of errors."""

FUNCTIONAL_11, FUNCTIONAL_29 = 0x7DF, 0x18DB33F1


def is_standard(ids, extended):
    """Whether an identifier is one that a tester may ask by: 7DF, 7E0 to 7E7; 18DB33F1, 18DAxxF1 to any ECU but itself."""
    eleven = (ids == FUNCTIONAL_11) | ((ids >= 0x7E0) & (ids <= 0x7E7))
    physical = ((ids & 0xFFFF00FF) == 0x18DA00F1) & ((ids >> 8 & 0xFF) != 0xF1)
    return np.where(extended, (ids == FUNCTIONAL_29) | physical, eleven)


def is_other(ids, extended):
    """Whether it is one that a configuration may open: the rest of 600 to 7FF, without the standard's answers 7E8 to 7EF."""
    return ~extended & (ids >= 0x600) & (ids <= 0x7FF) & ~((ids >= 0x7E8) & (ids <= 0x7EF))


def reads(content):
    """Whether the bytes of a frame are a single frame (0L) with a request that only reads; `content` has a row a frame."""
    length, service, rest = content[:, 0], content[:, 1], content.shape[1] - 1
    takes = [((0x01, 0x09), (2,)), ((0x02,), (3,)), ((0x03, 0x07, 0x0A), (1,)), ((0x22,), (3, 5, 7))]
    good = [np.isin(service, services) & np.isin(length, lengths) for services, lengths in takes]
    return np.any(good, axis=0) & (length <= rest)


def flows(content):
    """Whether they are flow control: continue (30) or overflow (32), no block size, no separation time."""
    return np.isin(content[:, 0], (0x30, 0x32)) & (content[:, 1] == 0) & (content[:, 2] == 0)


def is_allowed(ids, extended, data, opened, addressed, plain):
    """Whether each frame may be sent.

    `opened`: the configuration opens the other identifiers; `addressed`, `plain`: it asks this identifier with an address
    byte, or without one (flow control for an answer to a functional request has neither, and is plain).
    """
    standard = is_standard(ids, extended)
    functional = np.where(extended, ids == FUNCTIONAL_29, ids == FUNCTIONAL_11)
    sound = lambda content: reads(content) | flows(content) & ~functional
    by_address = addressed & ~standard & sound(data[:, 1:])
    return (standard | is_other(ids, extended) & opened) & (by_address | (plain | ~addressed | standard) & sound(data))


KNOWN = [
    # identifier, 29 bits, data, others opened, address byte, allowed
    (0x7DF, False, "02010D5555555555", False, False, True),
    (0x7DF, False, "0209025555555555", False, False, True),
    (0x7E4, False, "0322123455555555", False, False, True),
    (0x7E0, False, "0722F19000010002", False, False, True),
    (0x7E0, False, "0302000055555555", False, False, True),
    (0x7E0, False, "0103555555555555", False, False, True),
    (0x18DB33F1, True, "0201005555555555", False, False, True),
    (0x18DA10F1, True, "3000005555555555", False, False, True),
    (0x7E0, False, "3200005555555555", False, False, True),
    (0x6F1, False, "0703226001555555", True, True, True),
    (0x6F1, False, "0730000055555555", True, True, True),
    (0x7DF, False, "0104555555555555", False, False, False),  # clears fault codes
    (0x7E0, False, "0210035555555555", False, False, False),  # another session
    (0x7E0, False, "023E005555555555", False, False, False),  # holds a session
    (0x7E0, False, "0227015555555555", False, False, False),  # security access
    (0x7E0, False, "0414FFFFFF555555", False, False, False),  # clears diagnostic information
    (0x7E0, False, "052EF19000015555", False, False, False),  # writes
    (0x7E0, False, "0431010203555555", False, False, False),  # starts a routine
    (0x7E0, False, "0201005555555555", True, True, True),     # a standard identifier never has an address byte
    (0x7E0, False, "0702010D55555555", True, True, False),
    (0x7E0, False, "0222125555555555", False, False, False),  # half an identifier
    (0x7E0, False, "03010D0C55555555", False, False, False),  # two quantities
    (0x7E0, False, "1008220001000200", False, False, False),  # a request of several frames
    (0x7E0, False, "2101020304050607", False, False, False),
    (0x7DF, False, "3000005555555555", False, False, False),  # flow control to all
    (0x7E0, False, "3100005555555555", False, False, False),  # wait
    (0x7E0, False, "3008145555555555", False, False, False),
    (0x7E8, False, "02010D5555555555", True, False, False),   # an ECU's own
    (0x6F1, False, "0703226001555555", False, True, False),
    (0x6F1, False, "0702100355555555", True, True, False),
    (0x123, False, "02010D5555555555", True, False, False),
    (0x18DAF110, True, "0201005555555555", True, False, False),
    (0x18DAF1F1, True, "0201005555555555", True, False, False),
    (0x7DF, True, "02010D5555555555", True, False, False),
]
"""Frames with what is right for each, by hand: the rules above must tell them apart."""


def told_apart() -> int:
    """How many of the known frames the rules judge wrongly."""
    columns = list(zip(*KNOWN))
    data = np.array([list(bytes.fromhex(text)) for text in columns[2]], np.uint8)
    opened, addressed, expected = (np.array(column, bool) for column in columns[3:])
    judged = is_allowed(np.array(columns[0], np.int64), np.array(columns[1], bool), data, opened, addressed, ~addressed)
    return int((judged != expected).sum())


def asks_for_vehicle_number(data):
    """Whether a single frame, without or with an address byte, asks for the vehicle number: 09 02, or 22 with F190."""
    def asked(content):
        number = (content[:, 1] == 0x09) & (content[:, 2] == 0x02) & (content[:, 0] == 2)
        for at in (2, 4, 6):
            if at + 1 < content.shape[1]:
                number |= ((content[:, 1] == 0x22) & (content[:, at] == 0xF1) & (content[:, at + 1] == 0x90)
                           & (content[:, 0] >= at + 1))
        return number
    return asked(data), asked(data[:, 1:])
