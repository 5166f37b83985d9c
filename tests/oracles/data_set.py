"""Reads a data set with pyarrow, DuckDB and polars and compares every value with what was written.

Usage: data_set.py DATA EXPECTED.json. Prints one line a reader; ends with an error at the first difference.
"""

import contextlib
import io
import json
import re
import sys
from pathlib import Path

import duckdb
import polars
import pyarrow.parquet as pq
from blake3 import blake3

data, expected = Path(sys.argv[1]), json.loads(Path(sys.argv[2]).read_text())
run = data / f"vehicle={expected['vehicle']}" / f"run={expected['run']}"


def cell(value):
    return bytes(value).hex() if isinstance(value, (bytes, bytearray, memoryview)) else value


def rows(table, columns):
    return sorted(([cell(row[name]) for name in columns] for row in table), key=repr)


def by_pyarrow(folder, columns):
    return rows((row for path in sorted(folder.glob("*.parquet")) for row in pq.ParquetFile(path).read().to_pylist()), columns)


def by_duckdb(folder, columns):
    found = duckdb.sql(f"select * from read_parquet('{folder}/*.parquet', hive_partitioning=false)")
    return rows((dict(zip(found.columns, row)) for row in found.fetchall()), columns)


def by_polars(folder, columns):
    return rows(polars.read_parquet(f"{folder}/*.parquet", hive_partitioning=False).to_dicts(), columns)


for reader in (by_pyarrow, by_duckdb, by_polars):
    count = 0
    for table, want in expected["tables"].items():
        found = reader(run / table, want["columns"])
        wanted = sorted(want["rows"], key=repr)
        assert len(found) == len(wanted), f"{reader.__name__} {table}: {len(found)} rows for {len(wanted)}"
        for a, b in zip(found, wanted):
            assert a == b, f"{reader.__name__} {table}:\n  read    {a}\n  written {b}"
        count += len(found)
    print(f"{reader.__name__}: {count} rows equal")

for table, want in expected["tables"].items():
    for path in (run / table).glob("*.parquet"):
        schema = pq.read_schema(path)
        assert schema.names == want["columns"], f"{table}: columns {schema.names}"
        for field, (unit, meaning) in zip(schema, want["fields"]):
            stands = {key.decode(): text.decode() for key, text in field.metadata.items()}
            assert stands["unit"] == unit and stands["meaning"] == meaning, f"{table}.{field.name}: {stands}"
        keys = pq.ParquetFile(path).metadata.metadata
        assert keys[b"schema_version"] == b"4" and keys[b"table"].decode() == table, keys
        assert keys[b"run"].decode() == expected["run"], keys
        file = pq.ParquetFile(path)
        for index in range(file.num_row_groups):
            times = file.read_row_group(index, columns=["t_us"])["t_us"].to_pylist()
            stands = file.metadata.row_group(index).column(0).statistics
            assert (stands.min, stands.max) == (min(times), max(times)), f"{path} group {index}"
print("pyarrow: units and meanings stand in the field metadata")

for table in expected["listed"]:
    for file in table["files"]:
        assert file["blake3"] == blake3((run / table["folder"] / file["name"]).read_bytes()).hexdigest(), file
print("blake3: every file has the digest that is listed")

# Hive partitions: vehicle, run and message are columns without being in any file.
found = duckdb.sql(
    f"select vehicle, run, message, count(*) from read_parquet('{data}/**/samples/*/*.parquet', hive_partitioning=true,"
    " union_by_name=true) group by all order by message"
).fetchall()
wanted = sorted(
    (expected["vehicle"], expected["run"], table.split("message=")[1], len(want["rows"]))
    for table, want in expected["tables"].items()
    if table.startswith("samples/")
)
assert [tuple(map(str, row[:3])) + (row[3],) for row in found] == wanted, f"{found} for {wanted}"
print("duckdb: hive partitions found")

# A row group that cannot hold a moment is skipped by its least and greatest time; the answer is the same.
((count,),) = duckdb.sql(f"select count(*) from read_parquet('{run}/frames/*.parquet') where t_us < 1000000").fetchall()
assert count == sum(row[0] < 1_000_000 for row in expected["tables"]["frames"]["rows"])
print("duckdb: selects by time")

# The examples of docs/data-set.md, run as they stand but for the names in them.
page = (Path(__file__).resolve().parents[2] / "docs/data-set.md").read_text()
blocks = re.findall(r"```(python|sql)\n(.*?)```", page, re.S)
assert len(blocks) == 3, blocks
trace = expected["tables"]["trace"]
distances = [row[trace["columns"].index("distance")] for row in trace["rows"]]
km = max(distance for distance in distances if distance is not None) / 1000
for language, text in blocks:
    text = text.replace("DATA", str(data)).replace("vehicle=NAME", f"vehicle={expected['vehicle']}")
    if language == "sql":
        assert duckdb.sql(text.rstrip().rstrip(";")).fetchall() == [(expected["vehicle"], expected["run"], km)]
    else:
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            exec(text, {})
        assert "b'unit': b'J'" in said.getvalue() or expected["run"] in said.getvalue(), said.getvalue()
print("docs/data-set.md: examples run")
