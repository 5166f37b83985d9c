"""What may be on a vehicle bus from a program that only reads, written from the standards and not from the program.

Sources: SAE J1979 services 01, 02, 03, 07, 09, 0A; ISO 14229-1 service 22 (numbers as in udsoncan); identifiers of ISO 15765-4 as in
the comments of Wireshark's packet-obd-ii.c and the kernel's iso15765-2.rst; frames of ISO 15765-2 as in the kernel's isotp.c.
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

    `opened`: the configuration opens the other identifiers; `addressed`, `plain`: it asks this identifier with an address byte,
    or without one (flow control for an answer to a functional request has neither, and is plain).
    """
    standard = is_standard(ids, extended)
    functional = np.where(extended, ids == FUNCTIONAL_29, ids == FUNCTIONAL_11)
    sound = lambda content: reads(content) | flows(content) & ~functional
    by_address = addressed & ~standard & sound(data[:, 1:])
    return (standard | is_other(ids, extended) & opened) & (by_address | (plain | ~addressed) & sound(data))


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
