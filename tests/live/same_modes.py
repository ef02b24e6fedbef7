#!/usr/bin/env python3
"""Two tables of modes must show the same ones: same_modes.py LIVE/modes.csv FILE/modes.csv

Both ways hear one room, each with noise of its own. How far up single modes are claimed differs with that noise, so what
one table claims must stand in the other one, claimed or not, within four standard deviations of frequency and T60; and be
one of the closed form's, by the same measure.
"""

import csv
import itertools
import math
import sys

import numpy as np

import room


def rows_of(path):
    """Whether it is claimed, and frequency and T60 with their standard deviations, of each row that has them."""
    names = ("frequency_hz", "frequency_sd_hz", "t60_s", "t60_sd_s")
    with open(path, newline="") as file:
        rows = [row for row in csv.DictReader(file) if all(row[name] for name in names)]
    return [(row["kind"] == "mode", *(float(row[name]) for name in names)) for row in rows]


def truth():
    axes = itertools.product(range(6), range(5), range(4))
    return [room.SOUND_M_S / 2 * np.linalg.norm(np.array(a) / room.DIMENSIONS_M) for a in axes if any(a)]


def differences(one, other):
    """Of each claim in one table, the nearest row of the other, in standard deviations of frequency and T60."""
    for claimed, hz, hz_sd, t60, t60_sd in one:
        if claimed:
            apart = [
                (abs(row[1] - hz) / math.hypot(hz_sd, row[2]), abs(row[3] - t60) / math.hypot(t60_sd, row[4]))
                for row in other
            ]
            yield hz, *min(apart, key=max, default=(math.inf, math.inf))


def main():
    live, file = (rows_of(path) for path in sys.argv[1:3])
    modes = truth()
    pairs = [*differences(live, file), *differences(file, live)]
    wrong = [f"{hz:.2f} Hz stands in one table only" for hz, *apart in pairs if max(apart) > 4]
    for claimed, hz, hz_sd, *_ in live:
        if claimed and min(abs(hz - true) for true in modes) > 4 * hz_sd + 0.02:
            wrong.append(f"{hz:.2f} Hz is none of the room's")
    counts = [sum(row[0] for row in rows) for rows in (live, file)]
    if min(counts) < 8:
        wrong.append("too few modes to compare")
    print(f"{counts[0]} modes claimed live, {counts[1]} from files; largest difference "
          f"{max(p[1] for p in pairs):.1f} sd of frequency, {max(p[2] for p in pairs):.1f} sd of T60")
    sys.exit("FAILED: " + "; ".join(wrong) if wrong else 0)


if __name__ == "__main__":
    main()
