#!/usr/bin/env python3
"""Parquet tables by an independent reader: types, units, and every cell against the CSV file beside it.

    python -m pip install -r tests/reference/requirements-archive.txt
    python tests/reference/parquet_tables.py RESULTS…

`pyarrow` reads each NAME.parquet of a results folder. Names, types, what may be null, and units must be those of
csv-metadata.json (CSV on the Web), which a public validator holds against the CSV files elsewhere; each cell must be the
text of the CSV file's cell read as that type, and null where that is empty.
"""

import csv
import json
import pathlib
import sys

import pyarrow
import pyarrow.parquet

READ = {"string": str, "int64": int, "double": float}


def kind(datatype):
    base = datatype["base"] if isinstance(datatype, dict) else datatype
    return {"string": "string", "integer": "int64", "decimal": "double"}[base]


def compared(folder):
    described = {table["url"]: table for table in json.loads((folder / "csv-metadata.json").read_text())["tables"]}
    written = {path.stem for path in folder.glob("*.csv")}
    assert written == {path.stem for path in folder.glob("*.parquet")} and written, f"{folder}: not the same tables"
    rows, empty = 0, 0
    for name in sorted(written):
        file = pyarrow.parquet.ParquetFile(folder / f"{name}.parquet")
        table, schema = file.read(), file.schema_arrow
        columns = described[f"{name}.csv"]["tableSchema"]["columns"]
        assert schema.names == [column["name"] for column in columns], name
        units = json.loads(schema.metadata[b"units"])
        assert units == {c["name"]: c["schema:unitText"] for c in columns if "schema:unitText" in c}, name
        definitions = json.loads(schema.metadata[b"definitions"])
        assert definitions == {c["name"]: c["dc:description"] for c in columns}, name
        for column in columns:
            field = schema.field(column["name"])
            assert str(field.type) == kind(column["datatype"]), (name, field)
            assert field.nullable == (not column.get("required", False)), (name, field)
        with open(folder / f"{name}.csv", newline="") as text:
            lines = list(csv.DictReader(text))
        assert table.num_rows == len(lines), name
        for field in schema:
            read = READ[str(field.type)]
            wanted = [read(line[field.name]) if line[field.name] else None for line in lines]
            found = table[field.name].to_pylist()
            assert found == wanted, (name, field.name, [pair for pair in zip(found, wanted) if pair[0] != pair[1]][:3])
            empty += wanted.count(None)
        rows += table.num_rows
    print(f"{folder.name}: {len(written)} tables, {rows} rows equal, {empty} empty cells null")
    return empty


folders = [pathlib.Path(argument) for argument in sys.argv[1:]]
assert folders, __doc__
# A reading that finds no null has not tried it.
assert sum([compared(folder) for folder in folders]) > 0
