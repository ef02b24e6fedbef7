#!/usr/bin/env python3
"""Two tables of modes must show the same ones: same_modes.py LIVE/modes.csv FILE/modes.csv

Claimed modes are paired by frequency. Both ways hear one room with noise of their own, so frequency and T60 agree within
four standard deviations of their difference, and as many modes are claimed up to one in ten. Each must also be one of the
closed form's, by the same measure.
"""

import csv
import itertools
import math
import sys

import numpy as np

import room


def claimed(path):
    with open(path, newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["kind"] == "mode"]
    number = lambda row, name: float(row[name])
    return [tuple(number(row, n) for n in ("frequency_hz", "frequency_sd_hz", "t60_s", "t60_sd_s")) for row in rows]


def truth():
    axes = itertools.product(range(6), range(5), range(4))
    return [room.SOUND_M_S / 2 * np.linalg.norm(np.array(a) / room.DIMENSIONS_M) for a in axes if any(a)]


def main():
    live, file = (claimed(path) for path in sys.argv[1:3])
    modes = truth()
    worst_hz = worst_s = paired = 0.0
    wrong = []
    for hz, hz_sd, t60, t60_sd in live:
        other = min(file, key=lambda mode: abs(mode[0] - hz), default=None)
        near = other and abs(other[0] - hz) < 4 * math.hypot(hz_sd, other[1])
        if near:
            paired += 1
            worst_hz = max(worst_hz, abs(other[0] - hz) / math.hypot(hz_sd, other[1]))
            worst_s = max(worst_s, abs(other[2] - t60) / math.hypot(t60_sd, other[3]))
        off = min(abs(hz - true) for true in modes)
        if off > 4 * hz_sd + 0.02:
            wrong.append(f"{hz:.2f} Hz is none of the room's")
    print(f"{len(live)} modes live, {len(file)} from files, {paired:.0f} the same; "
          f"largest difference {worst_hz:.1f} sd of frequency, {worst_s:.1f} sd of T60")
    if paired < 0.9 * max(len(live), len(file)) or len(file) < 8:
        wrong.append("not the same modes")
    if worst_hz > 4 or worst_s > 4:
        wrong.append("the same modes, not the same values")
    sys.exit("FAILED: " + "; ".join(wrong) if wrong else 0)


if __name__ == "__main__":
    main()
