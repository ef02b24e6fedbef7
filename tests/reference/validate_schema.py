#!/usr/bin/env python3
"""Hold result folders against their own schema and metadata with public validators.

    python -m pip install -r tests/reference/requirements-tables.txt
    cargo test --test all tables                    # writes the sample folder
    python tests/reference/validate_schema.py target/tmp/sample-results [MORE_FOLDERS...]

For every folder: `results.schema.json` is a valid JSON Schema (draft 2020-12), `results.json` keeps
it, `csv-metadata.json` is valid CSV on the Web metadata and the CSV files keep it. For the first
folder, which must have a row in every table, each of some mutations of a valid file must be found.
Validators: `jsonschema` and `csvw` of PyPI, neither connected with this project.
"""

import copy
import csv
import json
import pathlib
import shutil
import sys
import tempfile

import jsonschema
from csvw import CSVW


def json_errors(schema, document):
    return list(jsonschema.Draft202012Validator(schema).iter_errors(document))


def csv_errors(folder):
    try:
        tables = CSVW(str(folder / "csv-metadata.json"), validate=True)
        return [] if tables.is_valid else [str(w.message) for w in tables.warnings]
    except (ValueError, ArithmeticError) as error:  # the latter from comparing a NaN
        return [f"{type(error).__name__}: {error}"]


def put(*path, value):
    """A mutation: the value at `path` is replaced."""

    def mutate(document):
        for key in path[:-1]:
            document = document[key]
        assert document.get(path[-1], path) != value, f"{path} is {value!r} already"
        document[path[-1]] = value

    return f"{'.'.join(map(str, path))} = {value!r}", mutate


def drop(*path):
    """A mutation: the key at `path` is removed."""

    def mutate(document):
        for key in path[:-1]:
            document = document[key]
        del document[path[-1]]

    return f"without {'.'.join(map(str, path))}", mutate


JSON_MUTATIONS = [
    put("schema", value=2),
    put("bands", 0, "t20_s", value="0.457"),
    put("bands", 0, "t20_sd_s", value=-0.123),
    put("bands", 0, "d50", value=1.2),
    put("bands", 0, "loudness", value=1.0),
    put("bands", 1, "flags", value="above-rate;no-such-flag"),
    put("bands", 1, "flags", value=""),
    put("modes", 0, "kind", value="resonance"),
    put("modes", 0, "mode", value=1.5),
    put("modes", 0, "axes", value="0 1"),
    put("changes", 0, "verdict", value=None),
    put("files", 0, "sha256", value="e3b0c442"),
    put("files", 0, "file", value="/home/someone/empty/seat.wav"),
    put("settings", "jobs", value=4),
    put("absorber", 0, "next_dials", "depth", value="deep"),
    put("made_at", value="2026-10-03T12:00:00Z"),
    drop("changes", 0, "reason"),
    drop("modes"),
    drop("targets"),
]

CSV_MUTATIONS = [
    ("bands.csv", "t20_s", "NaN"),
    ("bands.csv", "band_hz", ""),
    ("bands.csv", "flags", "no-such-flag"),
    ("modes.csv", "kind", "resonance"),
    ("modes.csv", "frequency_sd_hz", "-1"),
    ("mode_levels.csv", "mode", "1.5"),
    ("changes.csv", "shape_match", "1,1"),
    ("checks.csv", "met", "perhaps"),
]


def mutated_csv(folder, scratch, name, column, value):
    """A copy of the folder in which the last row of one table has another value in one column."""
    shutil.copytree(folder, scratch, dirs_exist_ok=True)
    with open(folder / name, newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    rows[-1][rows[0].index(column)] = value
    with open(scratch / name, "w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def hold_mutations(folder, schema, document):
    missed = []
    for name, mutate in JSON_MUTATIONS:
        changed = copy.deepcopy(document)
        mutate(changed)
        if not json_errors(schema, changed):
            missed.append(f"results.json with {name}")
    for name, column, value in CSV_MUTATIONS:
        with tempfile.TemporaryDirectory() as scratch:
            mutated_csv(folder, pathlib.Path(scratch), name, column, value)
            if not csv_errors(pathlib.Path(scratch)):
                missed.append(f"{name} with {column} = {value!r}")
    print(f"{len(JSON_MUTATIONS) + len(CSV_MUTATIONS)} mutations, {len(missed)} not found")
    return [f"{folder}: accepted {what}" for what in missed]


def main(folders):
    if not folders:
        sys.exit(__doc__)
    failures = []
    for i, folder in enumerate(map(pathlib.Path, folders)):
        schema = json.loads((folder / "results.schema.json").read_text(encoding="utf-8"))
        document = json.loads((folder / "results.json").read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        errors = [f"{error.json_path}: {error.message}" for error in json_errors(schema, document)]
        errors += csv_errors(folder)
        failures += [f"{folder}: {error}" for error in errors]
        print(f"{folder}: {len(errors)} errors")
        if i == 0 and not errors:
            failures += hold_mutations(folder, schema, document)
    if failures:
        sys.exit("\n".join(failures))


if __name__ == "__main__":
    main(sys.argv[1:])
