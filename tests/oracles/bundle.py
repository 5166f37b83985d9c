"""Looks into bundles and exports with pyarrow and the standard library, from outside of the program.

    bundle.py places FOLDER     every Parquet column that tells a place inside the bands of latitude and longitude given on
                                standard input as JSON [[[south, north], [west, east]], words], and every text and byte
                                string that holds one of the words given there; prints [[file, column, count], ...]
    bundle.py figures CSV PARQUET   both hold the same figures; prints how many
    bundle.py gpx FILE          holds the file against the rules of the GPX 1.1 schema (topografix.com/GPX/1/1/gpx.xsd): names,
                                order and number of elements, kinds of values; prints [segments, points, first and last place]
"""

import csv
import json
import math
import re
import sys
import xml.etree.ElementTree as xml
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq


def places(folder):
    bands, words = json.load(sys.stdin)
    found = []
    for path in sorted(Path(folder).rglob("*.parquet")):
        table = pq.read_table(path, partitioning=None)
        inside = {}
        for name, column in zip(table.column_names, table.columns):
            count = 0
            if pa.types.is_floating(column.type):
                values = column.to_numpy()
                inside[name] = [(low <= values) & (values <= high) for low, high in bands]
            elif pa.types.is_string(column.type):
                count = sum(1 for v in column.to_pylist() if v and any(word in v for word in words))
            elif pa.types.is_binary(column.type) or pa.types.is_fixed_size_binary(column.type):
                count = sum(1 for v in column.to_pylist() if v and any(word.encode() in v for word in words))
            if count:
                found.append([str(path.relative_to(folder)), name, count])
        # Any number may lie in a band by chance, a current of -48 A does; a place is a pair, or a column that lies there mostly.
        any_in = [np.any([column[band] for column in inside.values()], axis=0) if inside else [] for band in (0, 1)]
        for name, column in inside.items():
            held = len(table) - table.column(name).null_count
            for band in (0, 1):
                pairs, alone = int((column[band] & any_in[1 - band]).sum()), int(column[band].sum())
                if pairs > 3 or alone > held / 2:
                    found.append([str(path.relative_to(folder)), name, max(pairs, alone)])
    print(json.dumps(found))


def figures(csv_path, parquet_path):
    table = pq.read_table(parquet_path).to_pylist()
    with open(csv_path, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["figure"] for row in rows] == [row["figure"] for row in table]
    for row, other in zip(rows, table):
        for key in ("value", "u95"):
            number = float(row[key]) if row[key] else None
            assert number == other[key], (row, other)
        assert (row["unit"], row["text"]) == (other["unit"], other["text"]), (row, other)
    metadata = pq.ParquetFile(parquet_path).metadata.metadata
    assert metadata[b"vehicle"] and metadata[b"runs"] and metadata[b"program"].startswith(b"drawdown "), metadata
    assert pq.read_schema(parquet_path).field("u95").metadata[b"meaning"]
    print(len(rows))


GPX = "{http://www.topografix.com/GPX/1/1}"
DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)$")
MOMENT = re.compile(r"-?\d{4,}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)?$")
# The children of each element in the order of the schema's sequence; those that may come more than once.
CHILDREN = {
    "gpx": "metadata wpt rte trk extensions".split(),
    "metadata": "name desc author copyright link time keywords bounds extensions".split(),
    "trk": "name cmt desc src link number type extensions trkseg".split(),
    "trkseg": "trkpt extensions".split(),
    "trkpt": (
        "ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop ageofdgpsdata dgpsid extensions"
    ).split(),
}
MANY = {"wpt", "rte", "trk", "link", "trkseg", "trkpt"}
ATTRIBUTES = {"gpx": {"version", "creator"}, "trkpt": {"lat", "lon"}}


def check(element):
    assert element.tag.startswith(GPX), element.tag
    name = element.tag[len(GPX):]
    assert set(element.attrib) == ATTRIBUTES.get(name, set()), (name, element.attrib)
    if name == "trkpt":
        latitude, longitude = element.attrib["lat"], element.attrib["lon"]
        assert DECIMAL.match(latitude) and -90 <= float(latitude) <= 90, latitude
        assert DECIMAL.match(longitude) and -180 <= float(longitude) < 180, longitude
    if name == "extensions":
        # xsd:any namespace="##other" processContents="lax"
        for child in element:
            assert child.tag.startswith("{") and not child.tag.startswith(GPX), child.tag
        return
    if name in CHILDREN:
        order = [CHILDREN[name].index(child.tag[len(GPX):]) for child in element]
        assert order == sorted(order), (name, [child.tag for child in element])
        for place in set(order):
            assert order.count(place) == 1 or CHILDREN[name][place] in MANY, (name, CHILDREN[name][place])
        assert not (element.text or "").strip(), (name, element.text)
        for child in element:
            check(child)
    elif name == "ele":
        assert DECIMAL.match(element.text), element.text
    elif name == "time":
        assert MOMENT.match(element.text), element.text
    else:
        assert name in ("name", "desc") and len(element) == 0, name


def gpx(path):
    root = xml.parse(path).getroot()
    assert root.tag == GPX + "gpx" and root.attrib["version"] == "1.1"
    check(root)
    points = root.findall(f"{GPX}trk/{GPX}trkseg/{GPX}trkpt")
    place = lambda point: [float(point.attrib["lat"]), float(point.attrib["lon"])]
    ours = "{urn:drawdown:drive:1}"
    # Mean powers over their times add up to the energy.
    for segment in root.iter(GPX + "trkseg"):
        total, before = 0.0, None
        for point in segment:
            values = {child.tag[len(ours):]: float(child.text) for child in point.find(GPX + "extensions")}
            if before is not None:
                total += values["mean_power_w"] * (values["elapsed_s"] - before["elapsed_s"]) / 3600
            else:
                first = values
            before = values
        assert math.isclose(total, before["energy_wh"] - first["energy_wh"], abs_tol=0.5), (total, before, first)
    print(json.dumps([len(root.findall(f"{GPX}trk/{GPX}trkseg")), len(points), place(points[0]), place(points[-1])]))


if __name__ == "__main__":
    {"places": places, "figures": figures, "gpx": gpx}[sys.argv[1]](*sys.argv[2:])
