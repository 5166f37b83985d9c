"""ISO 15765-2 by can-isotp: sends or receives what a file of cases says, and prints every frame and message as JSON.

Usage: isotp.py CASES.json. A case is one of
  {"send": HEX, "frame_length": N, "address": BYTE or null, "padding": BYTE or null, "block_size": N}
  {"receive": [HEX, ...], "address": BYTE or null, "block_size": N, "separation": N}
Answers, in order: a list of [who, HEX], who being "sender", "receiver" or "message".
"""

import json
import sys
from collections import deque

# The library has this file's name: look for it everywhere but beside this file.
sys.path.pop(0)
import isotp  # noqa: E402

TX, RX = 0x7E8, 0x7E0


def layer(received, sent, ids, address, **params):
    """A transport layer between two queues; `address` is (own, other) by extended addressing."""
    txid, rxid = ids
    if address is None:
        where = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=txid, rxid=rxid)
    else:
        own, other = address
        where = isotp.Address(
            isotp.AddressingMode.Extended_11bits, txid=txid, rxid=rxid, source_address=own, target_address=other
        )
    # The layer names faults on its log; what counts here is what it sends and completes.
    return isotp.TransportLayerLogic(
        rxfn=lambda timeout: received.popleft() if received else None,
        txfn=sent,
        address=where,
        error_handler=lambda error: None,
        params={"rx_flowcontrol_timeout": 1000, "rx_consecutive_frame_timeout": 1000, **params},
    )


def send(case):
    """The whole exchange of a message with another layer of the same library."""
    log, to_sender, to_receiver = [], deque(), deque()

    def from_sender(frame):
        log.append(["sender", bytes(frame.data).hex()])
        to_receiver.append(frame)

    def from_receiver(frame):
        log.append(["receiver", bytes(frame.data).hex()])
        to_sender.append(frame)

    other = case["address"]
    params = {"tx_data_length": case["frame_length"], "can_fd": case["frame_length"] > 8}
    if case["padding"] is not None:
        params["tx_padding"] = case["padding"]
        params["tx_data_min_length"] = 8
    ids = (TX, RX)
    sender = layer(to_sender, from_sender, ids, None if other is None else (0x11, other), **params)
    receiver = layer(
        to_receiver,
        from_receiver,
        ids[::-1],
        None if other is None else (other, 0x11),
        blocksize=case["block_size"],
        stmin=0,
        max_frame_size=1 << 20,
    )
    sender.send(bytes.fromhex(case["send"]))
    for _ in range(20000):
        sender.process()
        receiver.process()
        if receiver.available():
            log.append(["message", bytes(receiver.recv()).hex()])
            return log
    raise SystemExit(f"the exchange did not end: {case}")


def receive(case):
    """What a layer does with frames as given."""
    log, queue = [], deque()
    own = case["address"]
    receiver = layer(
        queue,
        lambda frame: log.append(["receiver", bytes(frame.data).hex()]),
        (RX, TX),
        None if own is None else (own, 0x11),
        blocksize=case["block_size"],
        stmin=case["separation"],
    )
    for payload in case["receive"]:
        queue.append(isotp.CanMessage(arbitration_id=TX, data=bytes.fromhex(payload), dlc=8, is_fd=len(payload) > 16))
        receiver.process()
        while receiver.available():
            log.append(["message", bytes(receiver.recv()).hex()])
    return log


with open(sys.argv[1]) as file:
    cases = json.load(file)
print(json.dumps([send(case) if "send" in case else receive(case) for case in cases]))
