#!/usr/bin/env python3
"""Sessions of small rooms, from closed form: `make_sessions.py FOLDER COUNT`.

Each is a rigid-walled box with its own dimensions and decay; the response at a place is the sum of its modes,
each cosines along the axes times a damped oscillation (Kuttruff, Room Acoustics, eigenfrequencies and
eigenfunctions of a rectangular room), and noise. One state, three places, a second at 4 kHz in 16 bit.
"""

import itertools
import pathlib
import struct
import sys

import numpy as np

RATE, SAMPLES, START = 4_000, 5_000, 400
SPEED = 343.2  # m/s at 20 degrees Celsius
PLACES = {"corner": (0.02, 0.03, 0.05), "seat": (0.41, 0.37, 0.45), "door": (0.9, 0.15, 0.6)}
SOURCE = (0.05, 0.06, 0.12)


def session(folder, number):
    rng = np.random.default_rng(number)
    sides = np.array([5.2, 3.9, 2.6]) * rng.uniform(0.8, 1.3, 3)
    t60 = rng.uniform(0.3, 0.9)
    time = (np.arange(SAMPLES) - START) / RATE
    (folder / "empty").mkdir(parents=True, exist_ok=True)
    lines = ["[room]"] + [f"{key} = {side:.2f}" for key, side in zip(("length", "width", "height"), sides)]
    sounds = {name: 1e-4 * rng.standard_normal(SAMPLES) for name in PLACES}
    for n in itertools.product(range(7), repeat=3):
        hz = SPEED / 2 * np.sqrt(sum((k / side) ** 2 for k, side in zip(n, sides)))
        if 0 < hz < 200:
            ring = np.exp(-6.908 * np.maximum(time, 0) / t60) * np.sin(2 * np.pi * hz * time)
            for name, place in PLACES.items():
                shape = np.prod([np.cos(np.pi * k * a) * np.cos(np.pi * k * b) for k, a, b in zip(n, place, SOURCE)])
                sounds[name] += np.where(time < 0, 0, 0.02 * shape * ring)
    for name, sound in sounds.items():
        sound[START] += 0.5
        data = np.round(np.clip(sound, -1, 1) * 32_767).astype("<i2").tobytes()
        head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + len(data), b"WAVE", b"fmt ", 16, 1, 1, RATE, 2 * RATE, 2, 16, b"data", len(data))
        (folder / "empty" / f"{name}.wav").write_bytes(head + data)
    (folder / "session.toml").write_text("\n".join(lines) + "\n")


for number in range(int(sys.argv[2])):
    session(pathlib.Path(sys.argv[1]) / f"room-{number}", number)
