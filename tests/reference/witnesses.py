"""Poles of damped oscillations by two methods that share nothing with a common-pole fit.

    witnesses.py FILE.json        {"aaa": [[Re, Im], ...], "esprit": ...} in 1/s on stdout, upper half plane

- AAA (Nakatsukasa, Sete & Trefethen, SIAM J. Sci. Comput. 40 (2018) A1494; scipy.interpolate.AAA): the DFT of N samples
  of z^n at the record's own bins is (1 - z^N)/(1 - z w), w = exp(-i omega/fs): rational in w, with the pole 1/z. Given
  are the bins of a band and their conjugates, of the first record alone.
- ESPRIT (Roy & Kailath, IEEE Trans. ASSP 37 (1989) 984): every 8th sample of all records (all modes lie far below
  125 Hz), Hankel matrices side by side, their left singular vectors, and the rotation between these without
  the last row and without the first.

FILE.json: rate_hz, band_hz, records, poles (how many pairs), noise_sd of a sample.
"""

import json
import sys

import numpy as np
from scipy.interpolate import AAA

STEP = 8


def aaa(given):
    rate, record = given["rate_hz"], np.array(given["records"][0])
    angles = 2 * np.pi * np.fft.rfftfreq(len(record))
    low, high = (2 * np.pi * f / rate for f in given["band_hz"])
    inside = (angles >= low) & (angles <= high)
    values = np.fft.rfft(record)[inside]
    points = np.exp(-1j * angles[inside])
    # Noise of a bin against the largest value: closer than that nothing need be met.
    noise = given["noise_sd"] * np.sqrt(len(record)) / np.max(np.abs(values))
    found = AAA(
        np.concatenate([points, points.conj()]),
        np.concatenate([values, values.conj()]),
        rtol=max(1e-13, 4 * noise),
        max_terms=60,
    )
    return -rate * np.log(found.poles().astype(complex))


def esprit(given):
    rate, pairs = given["rate_hz"] / STEP, given["poles"]
    records = np.array(given["records"])[:, ::STEP]
    rows = records.shape[1] // 2
    hankel = np.hstack([np.lib.stride_tricks.sliding_window_view(x, rows).T for x in records])
    signal = np.linalg.svd(hankel, full_matrices=False)[0][:, : 2 * pairs]
    rotation = np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)[0]
    return rate * np.log(np.linalg.eigvals(rotation).astype(complex))


def upper(poles):
    return [[p.real, p.imag] for p in poles if p.imag > 0 and p.real < 0]


def main(arguments):
    if len(arguments) != 1:
        sys.exit(__doc__)
    with open(arguments[0], encoding="utf-8") as file:
        given = json.load(file)
    print(json.dumps({"aaa": upper(aaa(given)), "esprit": upper(esprit(given))}))


if __name__ == "__main__":
    main(sys.argv[1:])
