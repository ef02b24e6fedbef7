#!/usr/bin/env python3
"""A rectangular room in closed form, heard through a loudspeaker that isn't there.

    room.py respond PLACE IN.wav OUT.wav     a file's sound at a place: what a recorder would have written
    room.py live PLACE SPEAKER MICROPHONE    the same between two null sinks of a sound server, until it is ended

PLACE is a number of PLACES. Both write two channels: the microphone, and the signal as it was played. Modes are those
of rigid walls with small losses (Kuttruff, Room Acoustics, section 3.2): pressure is a sum of cosine shapes, each a
damped sine. Options of `live`: --gain G (the microphone's input clips at full scale), --drop S (20 ms are lost S
seconds after the sound began), --still S (20 ms of zeros there), --deaf (the microphone hears nothing).
"""

import argparse
import itertools
import subprocess
import wave

import numpy as np

RATE_HZ = 48_000
DIMENSIONS_M = np.array([5.60, 4.25, 2.75])
SOUND_M_S = 343.2
SOURCE_M = np.array([0.2, 0.25, 0.15])
PLACES = [[5.4, 4.0, 0.1], [0.1, 4.1, 2.6], [5.5, 0.2, 1.2], [2.4, 2.1, 1.2], [3.9, 0.1, 2.7], [0.2, 2.9, 0.3]]
TO_HZ = 350.0
NOISE = 2e-6
BLOCK = 2_048


def response(place):
    """Two seconds at a place, from the emission on; the direct sound is the sum of all modes."""
    place = np.array(PLACES[place])
    found = np.zeros(2 * RATE_HZ)
    most = (2 * TO_HZ / SOUND_M_S * DIMENSIONS_M).astype(int) + 1
    for axes in itertools.product(*(range(n + 1) for n in most)):
        hz = SOUND_M_S / 2 * np.linalg.norm(axes / DIMENSIONS_M)
        if not 1.0 < hz < TO_HZ:
            continue
        shape = lambda at: np.prod(np.cos(np.pi * np.array(axes) * at / DIMENSIONS_M))
        # Losses at the walls: an axial mode meets four of them grazing, a tangential two, an oblique none.
        meets = sum(n > 0 for n in axes)
        decay = 6.9078 / (1.5 - 0.2 * meets - 0.0005 * hz)
        weight = 2.0 ** meets / 8.0
        fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((hz - 200.0) / 150.0, 0.0, 1.0))
        amplitude = 2.5e-4 * weight * fade * shape(SOURCE_M) * shape(place)
        # A power of a power: each thousand samples are the first thousand, damped and turned.
        pole = (-decay + 2j * np.pi * hz) / RATE_HZ
        within, steps = np.exp(pole * np.arange(1_000)), np.exp(1_000 * pole * np.arange(len(found) // 1_000))
        found += amplitude * np.outer(steps, within).ravel().imag
    delay = int(round(np.linalg.norm(place - SOURCE_M) / SOUND_M_S * RATE_HZ))
    found[delay] += 0.03 / max(np.linalg.norm(place - SOURCE_M), 0.5)
    found[:delay] = 0.0
    return found


class Convolution:
    """Sound in blocks, convolved by overlapping and adding."""

    def __init__(self, taps):
        self.length = 1 << (len(taps) + BLOCK - 1).bit_length()
        self.taps = np.fft.rfft(taps, self.length)
        self.rest = np.zeros(self.length)

    def __call__(self, block):
        out = np.fft.irfft(np.fft.rfft(block, self.length) * self.taps, self.length) + self.rest
        self.rest = np.concatenate([out[len(block):], np.zeros(len(block))])
        return out[: len(block)]


def through_a_file(place, source, target):
    # The signal is mono of 24 bits in the extensible form, which Python's own reader refuses.
    with open(source, "rb") as file:
        chunks = file.read()
    start = chunks.index(b"data") + 8
    raw = np.frombuffer(chunks[start : start + int.from_bytes(chunks[start - 4 : start], "little")], np.uint8)
    raw = raw.reshape(-1, 3)
    padded = np.zeros((len(raw), 4), np.uint8)
    padded[:, 1:] = raw
    signal = padded.view("<i4").ravel() / 2.0**31
    taps = response(place)
    length = 1 << (len(signal) + len(taps)).bit_length()
    heard = np.fft.irfft(np.fft.rfft(signal, length) * np.fft.rfft(taps, length), length)[: len(signal)]
    heard += NOISE * np.random.default_rng(place).standard_normal(len(heard))
    both = np.clip(np.stack([heard, signal], axis=1), -1.0, 1.0 - 2.0**-23)
    bytes_of = (both * 2.0**23).round().astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3]
    with wave.open(target, "wb") as file:
        file.setnchannels(2), file.setsampwidth(3), file.setframerate(RATE_HZ)
        file.writeframes(bytes_of.tobytes())


def live(options):
    form = ["--format=float32le", f"--rate={RATE_HZ}", "--latency-msec=300", "--raw"]
    listen = subprocess.Popen(
        ["parec", *form, "--channels=1", f"--device={options.speaker}.monitor"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )
    play = subprocess.Popen(
        ["pacat", *form, "--channels=2", "--playback", f"--device={options.microphone}"],
        stdin=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )
    room = Convolution(response(options.place))
    random = np.random.default_rng(100 + options.place)
    since = None
    try:
        while len(raw := listen.stdout.read(4 * BLOCK)) == 4 * BLOCK:
            signal = np.frombuffer(raw, "<f4").astype(float)
            heard = room(signal) + NOISE * random.standard_normal(BLOCK)
            if options.deaf:
                heard[:] = 0.0
            both = np.stack([np.clip(options.gain * heard, -1.0, 1.0), signal], axis=1)
            before, since = since, BLOCK if since is None and signal.any() else since and since + BLOCK
            fault = options.drop or options.still
            due = fault and before and before <= fault * RATE_HZ < since
            cut = slice(500, 500 + RATE_HZ // 50)
            if due and options.still:
                both[cut] = 0.0
            elif due:
                both = np.delete(both, cut, axis=0)
            play.stdin.write(both.astype("<f4").tobytes())
            play.stdin.flush()
    except BrokenPipeError:
        pass  # The server has ended.
    finally:
        listen.terminate()
        play.terminate()


def main():
    parser = argparse.ArgumentParser()
    commands = parser.add_subparsers(dest="command", required=True)
    file = commands.add_parser("respond")
    file.add_argument("place", type=int)
    file.add_argument("source")
    file.add_argument("target")
    server = commands.add_parser("live")
    server.add_argument("place", type=int)
    server.add_argument("speaker")
    server.add_argument("microphone")
    server.add_argument("--gain", type=float, default=1.0)
    server.add_argument("--drop", type=float)
    server.add_argument("--still", type=float)
    server.add_argument("--deaf", action="store_true")
    options = parser.parse_args()
    if options.command == "live":
        live(options)
    else:
        through_a_file(options.place, options.source, options.target)


if __name__ == "__main__":
    main()
