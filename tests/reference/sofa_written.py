#!/usr/bin/env python3
"""Responses handed on as SOFA, held against AES69 and against the responses by independent libraries.

    python -m pip install -r tests/reference/requirements-archive.txt
    cargo build --features sofa
    python tests/reference/sofa_written.py target/debug/stillroom

`sofar` reads each file and verifies it against the convention's own table (AES69-2022); `netCDF4` must find the named
dimensions, `h5py` the dimension scales attached to every variable. Samples must be those of the WAV files, means of
takes those of numpy; responses whose files start at different instants must be in line after it; and an analysis of the
SOFA file must give the tables of the WAV files.
"""

import csv
import pathlib
import struct
import subprocess
import sys
import tempfile

import h5py
import netCDF4
import numpy as np
import sofar

PROGRAM = pathlib.Path(sys.argv[1]).resolve()
OPTIONS = ["--bands", "octave", "--modes-from", "30", "--modes-to", "80", "--quiet"]
TABLES = ["bands.csv", "modes.csv", "mode_levels.csv", "checks.csv"]
RATE, SAMPLES, START = 48_000, 60_000, 1_200
SPEED = 331.3 * np.sqrt(1 + 20 / 273.15)  # m/s at 20 degrees Celsius, ideal gas
ROOM = np.array([5.0, 4.0, 2.6])
SOURCE = np.array([0.2, 0.2, 0.3])
PLACES = {"empty-1": np.array([1.0, 2.0, 1.2]), "empty-2": np.array([2.5, 2.0, 1.2]), "empty-3": np.array([3.0, 1.0, 1.6])}


def response(which, at, noise):
    """A direct sound after its way from the source, a damped tone, noise."""
    arrival = START + np.linalg.norm(at - SOURCE) / SPEED * RATE
    time = (np.arange(SAMPLES) - arrival) / RATE
    tone = np.where(time < 0, 0, np.exp(-6.9 * np.clip(time, 0, None) / 0.6) * np.cos(2 * np.pi * 50 * time + which))
    sound = 0.3 * tone + 1e-4 * np.random.default_rng(noise).standard_normal(SAMPLES)
    sound[round(arrival)] += 2.0
    return sound


def wav(path, samples, rate=RATE):
    path.parent.mkdir(parents=True, exist_ok=True)
    data = samples.astype("<f8").tobytes()
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + len(data), b"WAVE", b"fmt ", 16, 3, 1, rate, 8 * rate, 8, 64, b"data", len(data))
    path.write_bytes(head + data)


def manifest(folder, with_room=True, with_places=True):
    lines = ['title = "Übungsraum"']
    if with_room:
        lines += ["[room]"] + [f"{name} = {length}" for name, length in zip(("length", "width", "height"), ROOM)]
    lines += ["[visit]", 'by = "A. Person"', 'notes = "doors shut"']
    if with_places:
        lines += ["[[sources]]", 'name = "s1"', f"at = {list(map(float, SOURCE))}"]
        for name, at in PLACES.items():
            lines += ["[[positions]]", f'name = "{name}"', f"at = {list(map(float, at))}"]
    (folder / "session.toml").write_text("\n".join(lines) + "\n")


def analysed(session, out, *more):
    ran = subprocess.run([PROGRAM, "analyze", session, "--out", out, *OPTIONS, *more], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    return ran


def tables(folder):
    found = {}
    for table in TABLES:
        with open(folder / table, newline="") as file:
            found[table] = [{key: cell for key, cell in row.items() if key != "file"} for row in csv.DictReader(file)]
    return found


def read(path, convention):
    """Read by three libraries; the first also verifies against the standard's tables."""
    file = sofar.read_sofa(str(path), verify=True, verbose=False)
    issues = file.verify(issue_handling="return", mode="read")
    assert issues is None, issues
    assert file.GLOBAL_SOFAConventions == convention
    measurements, _, samples = file.Data_IR.shape
    with netCDF4.Dataset(path) as data:
        sizes = {name: len(dimension) for name, dimension in data.dimensions.items()}
        assert sizes == {"M": measurements, "R": 1, "N": samples, "E": 1, "I": 1, "C": 3}, sizes
        along = {name: variable.dimensions for name, variable in data.variables.items()}
        assert along["Data.IR"] == ("M", "R", "N") and along["ListenerPosition"] == ("M", "C"), along
        assert along["ReceiverPosition"] == ("R", "C", "I") and along["Data.SamplingRate"] == ("I",), along
        assert data.data_model == "NETCDF4" and data.Conventions == "SOFA"
    with h5py.File(path) as data:
        for name in along:
            for axis, of in enumerate(along[name]):
                assert data[name].dims[axis][0] == data[of], (name, axis)
                assert h5py.h5ds.is_attached(data[name].id, data[of].id, axis), (name, axis)
    return file


def single_takes(home):
    session = home / "single"
    for which, (name, at) in enumerate(PLACES.items()):
        wav(session / "empty" / f"{name}.wav", response(which, at, which))
    manifest(session)
    analysed(session, home / "single-results", "--responses", home / "sofa")
    path = home / "sofa" / "empty.sofa"
    file = read(path, "SingleRoomSRIR")
    for which, at in enumerate(PLACES.values()):
        assert np.array_equal(file.Data_IR[which, 0], response(which, at, which)), "samples are those of the WAV file"
    assert np.array_equal(np.reshape(file.ListenerPosition, (-1, 3)), np.array(list(PLACES.values())))
    assert np.array_equal(np.reshape(file.SourcePosition, (-1, 3)), np.tile(SOURCE, (3, 1)))
    assert file.GLOBAL_RoomType == "shoebox" and np.array_equal(np.ravel(file.RoomCornerB), ROOM)
    assert np.ravel(file.Data_SamplingRate) == RATE and not np.any(file.Data_Delay)
    assert file.GLOBAL_Title == "Übungsraum: empty" and file.GLOBAL_AuthorContact == "A. Person"
    assert all(name in file.GLOBAL_ListenerDescription for name in PLACES)
    before = path.read_bytes()
    analysed(session, home / "single-results", "--responses", home / "sofa", "--jobs", "1")
    assert path.read_bytes() == before, "the same files give the same bytes"
    # Back again: the file's own session, with the manifest's words for what SOFA has no place for.
    again = home / "again"
    (again / "empty").mkdir(parents=True)
    (again / "empty" / "empty.sofa").write_bytes(before)
    (again / "session.toml").write_text((session / "session.toml").read_text())
    analysed(again, home / "again-results")
    left, right = tables(home / "single-results"), tables(home / "again-results")
    for table in TABLES:
        assert left[table] and left[table] == right[table], f"{table} differs"
    print(f"three places, single takes: verified, samples equal, {sum(map(len, left.values()))} rows equal after reading back")


def takes_and_starts(home):
    """Two takes of each place; the files of the second place start 700 samples early, which the distances show."""
    session, early = home / "takes", 700
    for which, (name, at) in enumerate(PLACES.items()):
        lead = early if which == 1 else 0
        for take in (1, 2):
            sound = response(which, at, 10 * which + take)
            ahead = 1e-4 * np.random.default_rng(99 + take).standard_normal(lead)
            wav(session / "empty" / f"{name}#{take}.wav", np.concatenate([ahead, sound]))
    manifest(session)
    analysed(session, home / "takes-results", "--responses", home / "takes-sofa")
    file = read(home / "takes-sofa" / "empty.sofa", "SingleRoomSRIR")
    for which, at in enumerate(PLACES.values()):
        mean = np.mean([response(which, at, 10 * which + take) for take in (1, 2)], axis=0)
        found = file.Data_IR[which, 0]
        # The direct sound stands where its way from the source says, counted from the one instant of all.
        wanted = np.argmax(np.abs(mean))
        offset = np.argmax(np.abs(found)) - wanted
        if which == 0:
            common = offset
        assert abs(offset - common) <= 1, (which, offset, common)
        off = np.sqrt(np.mean((found[: SAMPLES - 100] - np.roll(mean, offset)[: SAMPLES - 100])[abs(offset) + 1 :] ** 2))
        assert off < 2e-5, f"place {which}: {off} from numpy's mean of the takes"
    assert "2, 2, 2" in file.GLOBAL_History and "share one instant" in file.GLOBAL_History, file.GLOBAL_History
    print("two takes a place, one place's files early: in line to a sample, means those of numpy")


def little_known(home):
    """Neither room nor points: GeneralFIR, and what nobody said is no number. Two rates are two files."""
    session = home / "bare"
    for which, (name, at) in enumerate(PLACES.items()):
        wav(session / "empty" / f"{name}.wav", response(which, at, which), RATE if which else 44_100)
    manifest(session, with_room=False, with_places=False)
    analysed(session, home / "bare-results", "--responses", home / "bare-sofa")
    assert sorted(path.name for path in (home / "bare-sofa").iterdir()) == ["empty-44100.sofa", "empty-48000.sofa"]
    for rate, count in ((44_100, 1), (48_000, 2)):
        file = read(home / "bare-sofa" / f"empty-{rate}.sofa", "GeneralFIR")
        assert np.isnan(file.ListenerPosition).all() and np.isnan(file.SourcePosition).all()
        assert np.ravel(file.Data_SamplingRate) == rate and file.Data_IR.shape[0] == count
    # Another's file of that name stays.
    other = home / "other"
    other.mkdir()
    (other / "empty.sofa").write_text("mine")
    ran = subprocess.run([PROGRAM, "analyze", session, "--out", home / "bare-results", "--responses", other, *OPTIONS], capture_output=True, text=True)
    assert ran.returncode == 2 and "already exists" in ran.stderr and (other / "empty.sofa").read_text() == "mine", ran.stderr
    print("without room and points: GeneralFIR, points NaN; two rates, two files; another's file is left alone")


with tempfile.TemporaryDirectory() as folder:
    single_takes(pathlib.Path(folder))
    takes_and_starts(pathlib.Path(folder))
    little_known(pathlib.Path(folder))
