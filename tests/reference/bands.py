"""Band decays on a path of their own, to hold the program's against.

    bands.py --make FOLDER             write synthetic responses (fixed seed) as 32-bit float WAV
    bands.py FILE.wav[=CHANNEL] ...    evaluate channel 1 (or CHANNEL) of each file, CSV on stdout
    bands.py --time                    milliseconds a band takes here, for 3 s at 48 kHz

Shared with the program: the standards. Not shared: any code or method where the standards leave a choice.
- Filters: scipy.signal.butter of order 4 at the file's own rate, whole record, no decimation (sosfilt of the
  reversed response).
- Noise: the smoothed envelope fitted by "a decay plus a stationary floor" with nonlinear least squares on a
  compressed scale (Karjalainen et al., JAES 50 (2002) 867), not the iteration of Lundeby et al.
- Integral: numpy.cumsum; lines: numpy.polyfit over every sample; clarity: the response is cut at the limit,
  faded over four periods of the band or ten periods up to 4 ms, and filtered from scratch.
- Onset: the last sample before the first that reaches maximum - 20 dB (ISO 3382-1:2009, A.3.4).

Columns: file, rate_hz, onset_s, fraction, band_hz, and the program's quantities, times in s, ratios linear.
A value that the noise doesn't allow (ISO 3382-1:2009, 5.3.3: 25, 35, 45 dB) is empty.
"""

import csv
import sys
import time
from pathlib import Path

import numpy as np
from scipy.io import wavfile
from scipy.optimize import least_squares
from scipy.signal import butter, sosfilt

G = 10**0.3  # IEC 61260-1:2014, 5.2
SIXTY_DB = 6 * np.log(10)
COLUMNS = (
    "file rate_hz onset_s fraction band_hz edt_s t20_s t30_s c50 c80 d50 ts_s level peak_to_noise ends_in_decay".split()
)


def bands(fraction):
    """Mid-band and edge frequencies (IEC 61260-1:2014, 5.4, 5.6), octaves and one-third octaves."""
    b, steps = {"octave": (1, range(-5, 5)), "third": (3, range(-17, 14))}[fraction]
    return [(1000 * G ** (x / b), 1000 * G ** ((x - 0.5) / b), 1000 * G ** ((x + 0.5) / b)) for x in steps]


def reversed_filter(samples, rate, lower, upper):
    """Filter backwards in time, with room ahead for the ringing of the first sample."""
    room = int(6 / (upper - lower) * rate)
    sos = butter(4, [lower, upper], "bandpass", fs=rate, output="sos")
    padded = np.concatenate([np.zeros(room), samples])
    return sosfilt(sos, padded[::-1])[::-1], room


def evaluate(samples, rate, onset, band):
    """All quantities of one band, as a dict; the response starts at sample `onset`."""
    centre, lower, upper = band
    width = upper - lower
    filtered, room = reversed_filter(samples, rate, lower, upper)
    zero = room + onset
    # The last 2/B are left out: the filter fills from rest there.
    end = len(filtered) - int(2 / width * rate)
    if end - zero < 8 / width * rate:
        return {}
    power = filtered**2
    noise, slope, reached = decay_and_floor(power[zero:end], rate, width)
    crossing, tail = crossing_and_tail(power[zero:end], noise, slope, reached)
    row = {"ends_in_decay": int(not reached)}
    window = int(max(0.010, 2 / width) * rate)
    sums = np.concatenate([[0], np.cumsum(power)])
    ahead = max(0, zero - int(5.3 / width * rate))
    peak = np.max(sums[ahead + window :] - sums[ahead:-window]) / window
    row["peak_to_noise"] = peak / (noise if reached else np.mean(power[end - (end - zero) // 10 : end]))
    kept = noise if reached else 0.0
    whole = np.sum(power[ahead : zero + crossing] - kept) + tail
    row["level"] = rate * whole / width
    curve = np.cumsum((power[zero : zero + crossing] - kept)[::-1])[::-1] + tail
    db = 10 * np.log10(row["peak_to_noise"])
    for name, high, low, least in (("edt_s", 0, 10, 25), ("t20_s", 5, 25, 35), ("t30_s", 5, 35, 45)):
        if db >= least:
            value = decay_time(curve, rate, high, low)
            row[name] = value if value and value * width > 4 else None
    if db >= 25:
        place = (np.arange(ahead, zero + crossing) - zero) / rate
        moment = np.sum(place * (power[ahead : zero + crossing] - kept)) + tail * (crossing / rate + 1 / slope)
        row["ts_s"] = moment / whole + mean_delay(rate, lower, upper)
        for name, limit in (("c50", 0.050), ("c80", 0.080)):
            late = late_energy(samples, rate, onset, limit, band, kept, end - room, zero + crossing - room) + tail
            if fade_s(lower) <= limit and 2 * tail < late < whole and limit * rate < crossing:
                row[name] = (whole - late) / late
        if row.get("c50"):
            row["d50"] = row["c50"] / (1 + row["c50"])
    return row


def decay_and_floor(power, rate, width):
    """Noise power, decay of energy per second, and whether the noise shows: model a exp(-d t) + n on block means."""
    block = max(1, int(0.5 / width * rate), len(power) // 400)
    count = len(power) // block
    means = power[: count * block].reshape(count, block).mean(axis=1)
    times = (np.arange(count) + 0.5) * block / rate
    start = int(np.argmax(means[: max(1, count // 2)]))
    means, times = means[start:], times[start:]
    tail = means[-max(3, min(len(means) // 3, int(np.ceil(6 / width * rate / block)))) :]
    fall = np.log(means[0] / tail.mean())
    below = np.argmax(means < tail.mean() * 2) or len(means) - 1
    guess = [np.log(means[0]), np.log(max(fall, 1.0) / max(times[below] - times[0], 1e-3)), np.log(tail.mean())]
    scale = means.max()

    def residual(p):
        model = np.exp(p[0] - np.exp(p[1]) * (times - times[0])) + np.exp(p[2])
        return 10 * (np.log(model / scale) - np.log(means / scale)) / np.log(10)

    fit = least_squares(residual, guess, loss="soft_l1", f_scale=2.0)
    slope, noise = np.exp(fit.x[1]), np.exp(fit.x[2])
    crossing = times[0] + (fit.x[0] - fit.x[2]) / slope
    reached = crossing + 0.9 / slope < times[-1] - len(tail) * block / rate / 2
    if reached:
        first = int(np.searchsorted(times, crossing + 1.7 / slope))
        noise = means[min(first, len(means) - len(tail)) :].mean()
    return noise, slope, bool(reached)


def crossing_and_tail(power, noise, slope, reached):
    """Where the last 15 dB of the decay meet the noise, and the energy (in samples) beyond."""
    return late_slope(power, noise, slope, reached)


def late_slope(power, noise, slope, reached):
    blocks = 300
    block = max(1, len(power) // blocks)
    count = len(power) // block
    means = power[: count * block].reshape(count, block).mean(axis=1)
    if not reached:
        last = means[-count // 5 :]
        fit = np.polyfit(np.arange(len(last)), np.log(last), 1)
        rate = max(-fit[0], 1e-9) / block
        level = np.exp(fit[1] + fit[0] * (len(last) - 0.5))
        return len(power), level / rate
    # Smooth over 5 blocks, find where the decay comes within 7 dB of the noise for the first time.
    smooth = np.convolve(means, np.ones(5) / 5, "same")
    peak = int(np.argmax(smooth))
    below = np.nonzero(smooth[peak:] < 5 * noise)[0]
    stop = peak + (int(below[0]) if len(below) else len(smooth) - peak - 1)
    above = np.nonzero(smooth[peak:stop] > 150 * noise)[0]
    start = peak + (int(above[-1]) if len(above) else 0)
    if stop - start < 6:
        start = max(peak, stop - 6)
    level = np.log(np.maximum(means[start : stop + 1] - noise, noise * 0.05))
    fit = np.polyfit(np.arange(start, stop + 1) + 0.5, level, 1)
    if fit[0] >= 0:
        return min(len(power), (stop + 1) * block), 0.0
    crossing = int(np.clip((np.log(noise) - fit[1]) / fit[0] * block, stop * block, len(power)))
    return crossing, noise / (-fit[0] / block)


def decay_time(curve, rate, high, low):
    """Least squares over every sample between two levels of the curve."""
    level = 10 * np.log10(np.maximum(curve, 1e-300) / curve[0])
    first, last = np.argmax(level <= -high), np.argmax(level <= -low)
    if last <= first + 3:
        return None
    slope = np.polyfit(np.arange(first, last + 1) / rate, level[first : last + 1], 1)[0]
    return -60 / slope if slope < 0 else None


def fade_s(lower):
    return min(10 / lower, max(4 / lower, 0.004))


def late_energy(samples, rate, onset, limit, band, noise, end, stop):
    """Energy (in samples) from a limit on, cut before the filter; noise taken off up to `stop`."""
    _, lower, upper = band
    length = fade_s(lower)
    place = np.clip(((np.arange(len(samples)) - onset) / rate - limit) / length + 0.125, -0.5, 0.5)
    filtered, _ = reversed_filter(samples * (0.5 + 0.5 * np.sin(np.pi * place)), rate, lower, upper)
    room = len(filtered) - len(samples)
    return np.sum(filtered[: room + stop] ** 2) - noise * (stop - onset - limit * rate)


def mean_delay(rate, lower, upper):
    """Centre of the energy of the filter's impulse response, s."""
    impulse = np.zeros(int(15 / (upper - lower) * rate))
    impulse[0] = 1
    energy = sosfilt(butter(4, [lower, upper], "bandpass", fs=rate, output="sos"), impulse) ** 2
    return np.sum(np.arange(len(energy)) * energy) / np.sum(energy) / rate


def read(argument):
    path, _, channel = argument.partition("=")
    rate, data = wavfile.read(path)
    data = data[:, int(channel or 1) - 1] if data.ndim > 1 else data
    full = {"int16": 2**15, "int32": 2**31}.get(data.dtype.name, 1)
    samples = data.astype(float) / full
    used = np.nonzero(samples)[0][-1] + 1
    level = np.abs(samples)
    onset = max(0, int(np.argmax(level >= level.max() / 10)) - 1)
    return rate, samples[:used], onset


def report(arguments):
    writer = csv.DictWriter(sys.stdout, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for argument in arguments:
        rate, samples, onset = read(argument)
        for fraction in ("octave", "third"):
            for band in bands(fraction):
                if band[2] * 2.05 > rate:
                    continue
                row = evaluate(samples, rate, onset, band)
                fixed = {"file": argument, "rate_hz": rate, "onset_s": onset / rate, "fraction": fraction, "band_hz": band[0]}
                values = {key: value if value is None else repr(float(value)) for key, value in row.items()}
                writer.writerow(fixed | values)


def make(folder):
    """Responses with known decays: noise, two slopes, and a room of tones; 60 to 75 dB of range."""
    rng = np.random.default_rng(20261125)
    folder = Path(folder)
    for name, rate, slopes, floor_db in (
        ("noise_0.4s_48k", 48000, [(0.4, 0)], -65),
        ("noise_1.1s_44k1", 44100, [(1.1, 0)], -62),
        ("two_slopes_48k", 48000, [(0.35, 0), (0.9, -18)], -70),
        ("noise_0.25s_96k", 96000, [(0.25, 0)], -70),
    ):
        times = np.arange(int((0.6 + 1.5 * max(t for t, _ in slopes)) * rate)) / rate
        power = sum(10 ** (db / 10) * np.exp(-SIXTY_DB * times / t) for t, db in slopes)
        decay = np.concatenate([np.zeros(int(0.03 * rate)), np.sqrt(power) * rng.standard_normal(len(times))])
        signal = 0.2 * (decay + 10 ** (floor_db / 20) * rng.standard_normal(len(decay)))
        wavfile.write(folder / f"{name}.wav", rate, signal.astype(np.float32))
    rate, times = 48000, np.arange(int(1.6 * 48000)) / 48000
    tones = sum(
        np.exp(-SIXTY_DB / 2 * times / t) * np.sin(2 * np.pi * f * times)
        for f, t in zip(35 * 1.13 ** np.arange(50), np.linspace(0.8, 0.4, 50))
    )
    signal = np.concatenate([np.zeros(1440), 0.05 * tones]) + 1e-5 * rng.standard_normal(len(times) + 1440)
    wavfile.write(folder / "tones_48k.wav", rate, signal.astype(np.float32))


def timing():
    """What a plain script takes for T20 of one band: filter, square, integrate, logarithm, line. Best of 5."""
    rate = 48000
    rng = np.random.default_rng(1)
    times = np.arange(3 * rate) / rate
    samples = np.exp(-SIXTY_DB / 2 * times / 0.5) * rng.standard_normal(len(times)) + 1e-4 * rng.standard_normal(len(times))
    _, lower, upper = bands("third")[17]
    best = np.inf
    for _ in range(5):
        start = time.perf_counter()
        sos = butter(4, [lower, upper], "bandpass", fs=rate, output="sos")
        filtered = sosfilt(sos, samples[::-1])[::-1]
        decay_time(np.cumsum((filtered**2)[::-1])[::-1], rate, 5, 25)
        best = min(best, time.perf_counter() - start)
    print(f"{best * 1e3:.4f}")


def main(arguments):
    if arguments[:1] == ["--make"] and len(arguments) == 2:
        make(arguments[1])
    elif arguments == ["--time"]:
        timing()
    elif arguments and not arguments[0].startswith("-"):
        report(arguments)
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
