"""A sweep's response by another road: the inverse filter of Farina (AES 108, 2000), not a division of spectra.

    deconvolution.py FILE.json        the transfer function at the asked frequencies as JSON on stdout

The recording and the reference are each convolved with the time-reversed sweep whose level falls by 6 dB per octave, so
that each becomes a short pulse; what comes before the pulse (harmonics) and after its tail is cut off, and the transfer
function is the ratio of the two pulses' Fourier sums, taken line by line from the samples and not from an FFT.

FILE.json: rate_hz, sweep {from_hz, to_hz, seconds}, recording and reference (lists of samples), before_s, after_s (cut
round the reference's pulse), frequencies_hz.
"""

import json
import sys

import numpy as np
from scipy.signal import fftconvolve


def inverse_filter(rate, sweep):
    """The sweep backwards, its amplitude in proportion to the frequency that it has there."""
    time = np.arange(int(sweep["seconds"] * rate)) / rate
    growth = np.log(sweep["to_hz"] / sweep["from_hz"]) / sweep["seconds"]
    phase = 2 * np.pi * sweep["from_hz"] / growth * (np.exp(growth * time) - 1)
    return (np.sin(phase) * np.exp(growth * (time - sweep["seconds"])))[::-1]


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        given = json.load(file)
    rate = given["rate_hz"]
    backwards = inverse_filter(rate, given["sweep"])
    pulse = fftconvolve(np.array(given["reference"]), backwards)
    heard = fftconvolve(np.array(given["recording"]), backwards)
    peak = int(np.argmax(np.abs(pulse)))
    first = peak - int(given["before_s"] * rate)
    after = slice(first, peak + int(given["after_s"] * rate))
    near = slice(first, peak + int(given["before_s"] * rate))
    answers = []
    for hertz in given["frequencies_hz"]:
        def line(samples, part):
            turns = np.arange(part.start, part.stop) / rate
            return np.sum(samples[part] * np.exp(-2j * np.pi * hertz * turns))
        ratio = line(heard, after) / line(pulse, near)
        answers.append([ratio.real, ratio.imag])
    json.dump({"transfer": answers}, sys.stdout)


if __name__ == "__main__":
    main()
