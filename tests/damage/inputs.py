"""First inputs of tests/damage/run: small, of all kinds, and the folder that the program reads them in.

    python inputs.py SURFACE PLACE FIXTURES
"""

import shutil
import sys
from pathlib import Path

import numpy as np
from scipy.io import wavfile

RATE_HZ = 2000

MANIFESTS = [
    """title = "J"
baseline = "state"
names = "{position}@{source}"
channel = 1
same_chain = true
time_base = "emission"
[room]
length = 5.6
width = "13 ft 4 in"
height = 2.75
temperature_c = 20.0
[visit]
date = 2026-10-03
by = "b"
occupied = false
[[sources]]
name = "corner"
at = [0.2, 0.2, 0.3]
[[states]]
name = "state"
[[states]]
name = "after"
folder = "after"
[[states.units]]
name = "A"
at = [5.5, 0.1, 0.1]
powered = true
tuned_hz = 41.0
dials = { depth = 0.6, fine = 3 }
[[positions]]
name = "a"
at = [2.4, 2.1, 1.2]
role = "listening"
[[takes]]
file = "after/b@corner.wav"
position = "b"
use = false
note = "door"
""",
    """channels = { 1 = "seat", 2 = "corner" }
names = "*{state}_{position}#{take}"
[room]
plan = [[0, 0], [5.4, 0], [5.4, 3.1], [3.6, 3.1], [3.6, 4.5], [0, 4.5]]
height = 2.5
[[positions]]
name = "b"
at = [1, "2 ft", 1.2]
role = "boundary"
[visit]
target_t60_s = 0.6
language = "de"
""",
    """[room]
volume_m3 = 65.5
[[takes]]
file = "state/a@corner.wav"
state = "after"
source = "x"
take = "2"
""",
]


def response(count, seed):
    """Two modes in noise, quiet up to the direct sound."""
    draws = np.random.default_rng(seed)
    t = np.arange(count) / RATE_HZ
    x = np.exp(-8 * t) * (np.cos(2 * np.pi * 40 * t) + 0.6 * np.cos(2 * np.pi * 63 * t))
    x[:20] = 0
    x += 1e-3 * draws.normal(size=count)
    return 0.8 * x / np.abs(x).max()


def integers(x):
    return (32000 * x).astype(np.int16)


def audio(place, fixtures):
    (place / "job/state").mkdir(parents=True)
    for seed, name in enumerate("bc"):
        wavfile.write(place / f"job/state/{name}.wav", RATE_HZ, integers(response(1200, seed)))
    x = response(600, 3)
    kinds = {
        "i16": integers(x),
        "f32": x.astype(np.float32),
        "two": np.stack([integers(x)] * 2, axis=1),
        "u8": (120 * x + 128).astype(np.uint8),
        "i32": (2e9 * x).astype(np.int32),
    }
    for name, samples in kinds.items():
        wavfile.write(place / f"in/{name}.wav", RATE_HZ, samples)
    for file in fixtures.glob("*.*"):
        if file.suffix in (".aif", ".aiff", ".flac"):
            shutil.copy(file, place / "in")


def manifest(place, _):
    for state in ("state", "after"):
        (place / "job" / state).mkdir(parents=True)
        for seed, name in enumerate("ab"):
            wavfile.write(place / f"job/{state}/{name}@corner.wav", RATE_HZ, integers(response(1200, seed)))
    for k, text in enumerate(MANIFESTS):
        (place / f"in/{k}.toml").write_text(text)


def played(place):
    """The sweep that `stillroom excite` wrote, as a microphone of the room hears it."""
    rate_hz, x = wavfile.read(place / "job/sweep.wav")
    heard = np.convolve(np.concatenate([np.zeros(200), x / 32768.0]), response(600, 5))[: len(x) + 800]
    wavfile.write(place / "job/take.wav", rate_hz, integers(heard / np.abs(heard).max()))


def take(place, _):
    played(place)
    shutil.copy(place / "job/take.wav", place / "in/take.wav")


def signal(place, _):
    played(place)
    shutil.copy(place / "job/sweep.signal.json", place / "in")


if __name__ == "__main__":
    surface, place, fixtures = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    (place / "in").mkdir(parents=True, exist_ok=True)
    {"audio": audio, "manifest": manifest, "take": take, "signal": signal}[surface](place, fixtures)
