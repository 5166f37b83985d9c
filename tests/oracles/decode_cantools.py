"""Decodes frames with cantools, the reference, for tests/whole/decode.rs. Knows nothing of this project's own decoder.

Arguments: a job (JSON), the payloads, the file to write. The job is a list of messages, in the payloads' order:
{"dbc": path, "message": name, "signals": [names], "length": bytes a payload, "frames": how many}. For every frame the
output holds native doubles: 1 if cantools decoded it, else 0 (a switch value that its file does not list), then one for
each signal in the order asked, NaN for one that is not in this frame. Names of values are left as numbers.
"""

import array
import json
import sys

import cantools

job_path, payload_path, out_path = sys.argv[1:]
with open(job_path, encoding="utf-8") as file:
    job = json.load(file)
with open(payload_path, "rb") as file:
    payloads = file.read()

databases = {}
absent = float("nan")
out = array.array("d")
at = 0
for part in job:
    if part["dbc"] not in databases:
        databases[part["dbc"]] = cantools.database.load_file(part["dbc"])
    message = databases[part["dbc"]].get_message_by_name(part["message"])
    signals, length = part["signals"], part["length"]
    assert sorted(signal.name for signal in message.signals) == sorted(signals), part["message"]
    for _ in range(part["frames"]):
        payload = payloads[at : at + length]
        at += length
        try:
            values = message.decode(payload, decode_choices=False)
        except cantools.database.errors.DecodeError:
            out.append(0.0)
            out.extend([absent] * len(signals))
            continue
        out.append(1.0)
        # float() of a Python integer rounds to the nearest double.
        out.extend([float(values[name]) if name in values else absent for name in signals])
assert at == len(payloads)
with open(out_path, "wb") as file:
    out.tofile(file)
