#!/usr/bin/env python3
"""SOFA files of an independent library give the tables of the same responses as WAV.

    python -m pip install -r tests/reference/requirements-archive.txt
    cargo build --features sofa
    python tests/reference/sofa.py target/debug/stillroom

Ten files: three conventions, two rates, written by `sofar` (AES69-2022, by way of netCDF4); each analysed,
and the same samples as 64-bit float WAV under the same names and at the same points. The tables must agree in
every cell but `file`. Then layouts that `h5py` writes and `sofar` doesn't; free-field files and damage, which
must be refused with a reason.
"""

import csv
import pathlib
import struct
import subprocess
import sys
import tempfile

import h5py
import numpy as np
import sofar

PROGRAM = pathlib.Path(sys.argv[1]).resolve()
OPTIONS = ["--bands", "octave", "--modes-from", "30", "--modes-to", "80", "--quiet"]
TABLES = ["bands.csv", "modes.csv", "mode_levels.csv", "checks.csv"]
CORNER = np.array([10.0, -3.0, 0.5])  # of the room, in the files' coordinates
MICROPHONES = np.array([[1.0, 2.0, 1.2], [2.5, 2.0, 1.2], [3.0, 1.0, 1.6]])
SOURCES = np.array([[0.2, 0.2, 0.3], [4.5, 0.2, 0.3]])
LENGTH = 1.5


def response(rate, which):
    rng = np.random.default_rng(which)
    samples, start = int(LENGTH * rate), int(0.05 * rate)
    time = (np.arange(samples) - start) / rate
    tone = np.where(time < 0, 0, np.exp(-6.9 * np.clip(time, 0, None) / 0.6) * np.cos(2 * np.pi * 50 * time + which))
    click = np.zeros(samples)
    click[start] = 2.0
    return 0.3 * tone + click + 1e-4 * rng.standard_normal(samples)


def wav(path, samples, rate):
    path.parent.mkdir(parents=True, exist_ok=True)
    data = samples.astype("<f8").tobytes()
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + len(data), b"WAVE", b"fmt ", 16, 3, 1, rate, 8 * rate, 8, 64, b"data", len(data))
    path.write_bytes(head + data)


def points(file, measurements, name, values):
    setattr(file, name, np.broadcast_to(values, (measurements, 3)).copy() if values.ndim == 1 else values)
    setattr(file, f"{name}_Type", "cartesian")
    setattr(file, f"{name}_Units", "metre")


def filled(file, measurements, emitters):
    """Variables that the conventions want once a measurement or an emitter, as their defaults repeated."""
    for name in ("MeasurementDate",):
        if hasattr(file, name):
            setattr(file, name, np.full(measurements, np.asarray(getattr(file, name)).reshape(-1)[0]))
    for name in ("EmitterView", "EmitterUp"):
        if hasattr(file, name) and emitters > 1:
            setattr(file, name, np.repeat(np.asarray(getattr(file, name)).reshape(1, 3), emitters, axis=0))
    for name in ("ReceiverDescriptions", "EmitterDescriptions"):
        if hasattr(file, name):
            file.delete(name)  # optional text, which sofar 1.3 can't write by netCDF4 1.7.5
    if emitters > 1:
        file.Data_Delay = np.zeros((measurements, 1, emitters))
    if hasattr(file, "SourceView"):
        for name in ("ListenerView", "ListenerUp", "SourceView", "SourceUp"):
            if hasattr(file, name):
                setattr(file, name, np.asarray(getattr(file, name)).reshape(-1, 3)[:1])


def sofa(path, convention, rate, responses, sources):
    """A file with the microphones as measurements and, where there are two, the sources as emitters."""
    file = sofar.Sofa(convention)
    count = len(MICROPHONES)
    several = convention == "SingleRoomMIMOSRIR"
    if several:
        file.Data_IR = np.array([[np.stack([responses[m, s] for s in range(len(sources))], axis=-1)] for m in range(count)])
    else:
        file.Data_IR = np.array([[responses[m, 0]] for m in range(count)])
    file.Data_SamplingRate = float(rate)
    points(file, count, "ListenerPosition", MICROPHONES + CORNER)
    points(file, count, "SourcePosition", (CORNER if several else sources[0] + CORNER))
    if several:
        file.EmitterPosition = sources
        file.EmitterPosition_Type, file.EmitterPosition_Units = "cartesian", "metre"
    for name in ("RoomCornerA", "RoomCornerB"):
        if hasattr(file, name):
            shape = np.asarray(getattr(file, name)).shape
            far = CORNER + [5.0, 4.0, 2.6] if name.endswith("B") else CORNER
            setattr(file, name, np.asarray(far).reshape(shape))
    filled(file, count, len(sources))
    path.parent.mkdir(parents=True, exist_ok=True)
    sofar.write_sofa(str(path), file)


def manifest(folder, names, sources):
    lines = []
    for name, at in names:
        lines += ["[[positions]]", f'name = "{name}"', f"at = {list(at)}"]
    for name, at in sources:
        lines += ["[[sources]]", f'name = "{name}"', f"at = {list(at)}"]
    (folder / "session.toml").write_text("\n".join(lines) + "\n")


def analysed(session, home):
    out = home / f"{session.name}-results"
    ran = subprocess.run([PROGRAM, "analyze", session, "--out", out, *OPTIONS], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    tables = {}
    for table in TABLES:
        with open(out / table, newline="") as file:
            tables[table] = [{key: cell for key, cell in row.items() if key != "file"} for row in csv.DictReader(file)]
    return tables


def same(left, right, what):
    for table in TABLES:
        assert len(left[table]) == len(right[table]) and left[table], f"{what}: {table} has {len(left[table])} and {len(right[table])} rows"
        for a, b in zip(left[table], right[table]):
            assert a == b, f"{what}: {table}: {[(key, a[key], b[key]) for key in a if a[key] != b[key]]}"


def refused(path, home, *words):
    ran = subprocess.run([PROGRAM, "analyze", path, "--out", home / "refused", *OPTIONS], capture_output=True, text=True)
    assert ran.returncode == 1, (path, ran.returncode, ran.stderr)
    for word in words:
        assert word in ran.stderr, (word, ran.stderr)


def files_of_three_conventions(home):
    cases = [(c, rate, k) for c in ("SingleRoomSRIR", "SingleRoomMIMOSRIR", "GeneralFIR") for rate in (48_000, 44_100) for k in range(2)]
    for number, (convention, rate, k) in enumerate(cases[:10]):
        sources = SOURCES if convention == "SingleRoomMIMOSRIR" else SOURCES[:1]
        responses = np.array([[response(rate, 100 * k + 10 * m + s) for s in range(len(sources))] for m in range(3)])
        ours, theirs = home / f"sofa-{number}", home / f"wav-{number}"
        sofa(ours / "empty" / "hall.sofa", convention, rate, responses, sources)
        for m in range(3):
            for s in range(len(sources)):
                name = f"hall-{m + 1}" + (f"@s{s + 1}" if len(sources) > 1 else "")
                wav(theirs / "empty" / f"{name}.wav", responses[m, s], rate)
        if convention != "GeneralFIR":  # which has no corner of a room to count from
            named = [(f"hall-{m + 1}", MICROPHONES[m]) for m in range(3)]
            manifest(theirs, [(n, [float(x) for x in at]) for n, at in named], [(f"s{s + 1}", [float(x) for x in sources[s]]) for s in range(len(sources))])
        left, right = analysed(ours, home), analysed(theirs, home)
        if convention == "SingleRoomSRIR":  # the only source has a name in the manifest, none in the file
            for row in [row for table in right.values() for row in table]:
                row.update({key: "" if (key, cell) == ("source", "s1") else cell.replace("@s1", "") for key, cell in row.items()})
        same(left, right, f"{convention} at {rate} Hz")
        print(f"{convention} at {rate} Hz: {sum(map(len, left.values()))} rows equal")


def layouts(home):
    """What h5py can write and sofar doesn't."""
    rate = 48_000
    responses = np.array([[response(rate, m)] for m in range(3)])
    for m in range(3):
        wav(home / "wav-h5" / "empty" / f"hall-{m + 1}.wav", responses[m, 0], rate)
    wanted = analysed(home / "wav-h5", home)
    kinds = {
        "contiguous": {}, "deflate": {"chunks": (1, 1, 1000), "compression": "gzip"},
        "shuffle": {"chunks": (2, 1, 777), "compression": "gzip", "shuffle": True, "fletcher32": True},
        "big endian": {"dtype": ">f8"}, "extendable": {"chunks": (1, 1, 5000), "maxshape": (None, 1, None)},
    }
    for libver in ("earliest", "v110"):
        for kind, options in kinds.items():
            session = home / f"h5 {libver} {kind}"
            (session / "empty").mkdir(parents=True)
            with h5py.File(session / "empty" / "hall.sofa", "w", libver=(libver, "v110")) as file:
                file.attrs["Conventions"], file.attrs["SOFAConventions"] = "SOFA", "GeneralFIR"  # of variable length
                file.attrs["DataType"] = np.bytes_("FIR")
                dtype = options.get("dtype", "<f8")
                file.create_dataset("Data.IR", data=responses.astype(dtype), **{k: v for k, v in options.items() if k != "dtype"})
                file["Data.SamplingRate"], file["Data.Delay"] = np.array([float(rate)]), np.zeros((1, 1))
            if (libver, kind) == ("v110", "extendable"):
                refused(session / "empty" / "hall.sofa", home, "B-tree chunk index")  # not read, and said so
            else:
                same(analysed(session, home), wanted, f"{libver}, {kind}")
    print(f"{2 * len(kinds) - 1} layouts equal")


def refusals(home):
    file = sofar.Sofa("SimpleFreeFieldHRIR")
    file.Data_IR = np.zeros((1, 2, 4800))
    sofar.write_sofa(str(home / "hrir.sofa"), file)
    refused(home / "hrir.sofa", home, "SOFAConventions", "free field")
    good = (home / "sofa-0" / "empty" / "hall.sofa").read_bytes()
    (home / "cut.sofa").write_bytes(good[: len(good) // 2])
    refused(home / "cut.sofa", home, "cut.sofa")
    with h5py.File(home / "other.sofa", "w") as other:
        other["x"] = [1.0]
    refused(home / "other.sofa", home, "another kind")
    nan = home / "nan.sofa"
    nan.write_bytes(good)
    with h5py.File(nan, "r+") as other:
        values = other["Data.IR"][...]
        values[..., 700] = np.nan
        other["Data.IR"][...] = values
    refused(nan, home, "sample 700 of channel 1 is not a number")
    rng = np.random.default_rng(7)
    for _ in range(60):
        bytes_ = bytearray(good)
        for at in rng.integers(0, len(good), 8):
            bytes_[at] = rng.integers(0, 256)
        for at in rng.integers(0, 6000, 3):
            bytes_[at] = rng.integers(0, 256)
        (home / "damaged.sofa").write_bytes(bytes_)
        ran = subprocess.run([PROGRAM, "check", home / "damaged.sofa"], capture_output=True, text=True, timeout=60)
        assert ran.returncode in (0, 1, 3) and "panicked" not in ran.stderr, ran.stderr
    print("refusals and 60 damaged files: as they should")


with tempfile.TemporaryDirectory() as folder:
    files_of_three_conventions(pathlib.Path(folder))
    layouts(pathlib.Path(folder))
    refusals(pathlib.Path(folder))
