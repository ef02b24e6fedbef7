"""The common-pole model written down again, and solved without projecting anything out.

    modes.py FILE.json        poles, covariance, amplitudes and chi square as JSON on stdout

Shared with the program: the model. A record is a sum of 2 Re(A exp(lambda t)), lambda = -delta + i omega, t from its
first sample, with poles that all records share and amplitudes of their own, plus a complex polynomial in frequency for
each record; noise of known density. Not shared: any formula or method.
- The spectrum of an oscillation is numpy's FFT of its samples, not a closed form.
- The polynomial is one of plain powers, not Chebyshev's.
- Poles, amplitudes and polynomials of all records are unknowns of one scipy.optimize.least_squares (MINPACK's
  Levenberg-Marquardt), amplitudes and polynomials starting from zero. The covariance is (J^T J)^-1 with all unknowns in.

FILE.json: rate_hz, band_hz [from, to], terms of the polynomial, noise_density (one-sided, 1/Hz), records (lists of
samples of one length), start [[omega, delta], ...].
"""

import json
import sys

import numpy as np
from scipy.optimize import least_squares


class Model:
    def __init__(self, given):
        self.rate = given["rate_hz"]
        self.records = np.array(given["records"])
        self.count, samples = self.records.shape
        self.poles, self.terms = len(given["start"]), given["terms"]
        self.times = np.arange(samples) / self.rate
        frequencies = np.fft.rfftfreq(samples, 1 / self.rate)
        low, high = given["band_hz"]
        self.bins = (frequencies >= low) & (frequencies <= high)
        x = frequencies[self.bins]
        x = 2 * (x - x[0]) / (x[-1] - x[0]) - 1
        self.powers = np.array([x**k for k in range(self.terms)])
        # Of noise with the one-sided density S a spectrum over fs has E|X|^2 = T S/2, half of it in the real part.
        self.sd = np.sqrt(samples / self.rate * given["noise_density"] / 4)
        self.data = [self.spectrum(record) for record in self.records]

    def spectrum(self, samples):
        return np.fft.rfft(samples)[self.bins] / self.rate

    def split(self, unknowns):
        """Poles (P, 2), amplitudes (M, P), polynomials (M, terms), the last two complex."""
        n = 2 * self.poles
        rest = unknowns[n:].reshape(self.count, self.poles + self.terms, 2)
        rest = rest[..., 0] + 1j * rest[..., 1]
        return unknowns[:n].reshape(-1, 2), rest[:, : self.poles], rest[:, self.poles :]

    def oscillations(self, poles):
        return [np.exp((-delta + 1j * omega) * self.times) for omega, delta in poles]

    def real(self, spectrum):
        return np.concatenate([spectrum.real, spectrum.imag]) / self.sd

    def residual(self, unknowns):
        poles, amplitudes, polynomials = self.split(unknowns)
        waves = self.oscillations(poles)
        left = []
        for data, own, polynomial in zip(self.data, amplitudes, polynomials):
            samples = sum(2 * (a * wave).real for a, wave in zip(own, waves))
            left.append(self.real(self.spectrum(samples) + polynomial @ self.powers - data))
        return np.concatenate(left)

    def jacobian(self, unknowns):
        poles, amplitudes, _ = self.split(unknowns)
        waves = self.oscillations(poles)
        rows = 2 * self.bins.sum()
        matrix = np.zeros((self.count * rows, len(unknowns)))
        for m in range(self.count):
            part = slice(m * rows, (m + 1) * rows)
            column = 2 * self.poles + m * 2 * (self.poles + self.terms)
            for j, wave in enumerate(waves):
                moved = amplitudes[m, j] * self.times * wave
                matrix[part, 2 * j] = self.real(self.spectrum(2 * (1j * moved).real))
                matrix[part, 2 * j + 1] = self.real(self.spectrum(-2 * moved.real))
                matrix[part, column + 2 * j] = self.real(self.spectrum(2 * wave.real))
                matrix[part, column + 2 * j + 1] = self.real(self.spectrum(2 * (1j * wave).real))
            for k, power in enumerate(self.powers):
                at = column + 2 * (self.poles + k)
                matrix[part, at] = self.real(power + 0j)
                matrix[part, at + 1] = self.real(1j * power)
        return matrix

    def solve(self, start):
        linear = self.count * (self.poles + self.terms) * 2
        unknowns = np.concatenate([np.ravel(start), np.zeros(linear)])
        # Twice, so that the second run's scales are those of amplitudes that are no longer zero.
        for _ in range(2):
            found = least_squares(
                self.residual, unknowns, self.jacobian, method="lm", x_scale="jac", ftol=1e-15, xtol=1e-15, gtol=1e-15
            )
            unknowns = found.x
        return unknowns


def covariance(matrix):
    """(J^T J)^-1 by a QR decomposition of J with its columns scaled to one."""
    scales = np.linalg.norm(matrix, axis=0)
    inverse = np.linalg.inv(np.linalg.qr(matrix / scales, mode="r"))
    return (inverse @ inverse.T) / np.outer(scales, scales)


def main(arguments):
    if len(arguments) != 1:
        sys.exit(__doc__)
    with open(arguments[0], encoding="utf-8") as file:
        given = json.load(file)
    model = Model(given)
    unknowns = model.solve(given["start"])
    spread = covariance(model.jacobian(unknowns))
    n = 2 * model.poles
    own = (model.count, model.poles + model.terms, 2)
    amplitudes = unknowns[n:].reshape(own)[:, : model.poles].reshape(model.count, -1)
    sds = np.sqrt(np.diag(spread)[n:]).reshape(own)[:, : model.poles].reshape(model.count, -1)
    answer = {
        "poles": unknowns[:n].tolist(),
        "covariance": spread[:n, :n].tolist(),
        "amplitudes": amplitudes.tolist(),
        "amplitude_sds": sds.tolist(),
        "chi_square": float(np.sum(model.residual(unknowns) ** 2)),
    }
    print(json.dumps(answer))


if __name__ == "__main__":
    main(sys.argv[1:])
