#!/usr/bin/env python3
"""Slopes for docs/archive/scale.md: what a response, a session, a job and a gathered row cost.

    python tests/archive/measure.py PROGRAM [SESSIONS [PART…]]

Processor times are the system's (wait4), so that other work on the machine disturbs them little; only the ratio of two
workers to one by the clock wants a quiet machine; what processor time says of it is printed beside it. Prints lines of a table. SESSIONS (default 400) sets the size of
what is measured, not what it costs each; PART is responses, reading, sessions, plans or gathered (default all). Python has
tests/reference/requirements-archive.txt.
"""

import json
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import wave

PROGRAM = str(pathlib.Path(sys.argv[1]).resolve())
COUNT = int(sys.argv[2]) if len(sys.argv) > 2 else 400
HERE = pathlib.Path(__file__).resolve().parents[2]
FEW_MODES = ["--bands", "octave", "--modes-from", "25", "--modes-to", "40"]
CHUNK = 50


def run(*command, status=(0,)):
    """Processor time, s, and most memory, MB, of a program to its end."""
    process = subprocess.Popen([str(part) for part in command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, ended, used = os.wait4(process.pid, 0)
    assert os.waitstatus_to_exitcode(ended) in status, command
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def told(what, value):
    print(f"| {what} | {value} |", flush=True)


def responses(home):
    """The demo's responses, with all modes from 15 to 200 Hz, and bands alone; as memory goes, too."""
    run(PROGRAM, "demo", home / "demo", "--quiet")
    files = list((home / "demo").rglob("*.wav"))
    states = sorted({file.parent for file in files})
    state = states[0]
    count = len([file for file in files if file.parent == state])
    found = json.loads((home / "demo-results" / "results.json").read_text())["files"]
    seconds, rate = found[0]["length_s"], found[0]["rate_hz"]
    for name, options in (("bands and modes", []), ("bands alone", ["--no-modes"])):
        cpu, memory = run(PROGRAM, "analyze", state, "--out", home / "demo-one", "--jobs", "1", "--quiet", *options)
        told(f"a response of the demo ({seconds:.1f} s at {rate / 1000:g} kHz; {count} in a state), {name}", f"{cpu / count:.3f} s, at most {memory:.0f} MB")


def reading(home):
    """A file of 33 channels against one of 1: the rest of the bytes is only read, hashed and passed over."""
    frames = 2_000_000
    times = {}
    for channels in (1, 33):
        path = home / f"wide-{channels}" / "a.wav"
        path.parent.mkdir()
        one = os.urandom(2 * 4_000)
        with wave.open(str(path), "wb") as file:
            file.setparams((channels, 2, 48_000, 0, "NONE", ""))
            file.writeframes(one * channels + bytes(2 * channels * (frames - 4_000)))
        command = [PROGRAM, "analyze", path, "--out", home / "wide-results", "--jobs", "1", "--no-modes", "--quiet", "--force"]
        # The least of several: what a busy machine adds differs from run to run by as much as is measured.
        times[channels] = min(run(*command, status=(0, 1, 3))[0] for _ in range(7))
    told("reading and hashing", f"{(times[33] - times[1]) / (2 * 32 * frames / 1e6):.4f} s a MB")


def worked(home, tasks, workers, results):
    """Seconds by the clock and of processor that array tasks take, so many at a time."""
    env = dict(os.environ, SESSIONS=str(home / "sessions"), RESULTS=str(results), LIST=str(home / "sessions.txt"), PROGRAM=PROGRAM, CHUNK=str(CHUNK), OPTIONS=" ".join(FEW_MODES))
    before, start = os.times(), time.monotonic()
    waiting, running = list(tasks), []
    while waiting or running:
        while waiting and len(running) < workers:
            task = dict(env, SLURM_ARRAY_TASK_ID=str(waiting.pop(0)))
            running.append(subprocess.Popen(["bash", HERE / "docs/archive/stillroom.sbatch"], env=task, stderr=subprocess.DEVNULL))
        time.sleep(0.005)
        running = [job for job in running if job.poll() is None]
    clock, after = time.monotonic() - start, os.times()
    return clock, after.children_user + after.children_system - before.children_user - before.children_system


def sessions(home):
    """Pairs of jobs, each pair by one worker and at once by two, so that other work on the machine meets both alike."""
    subprocess.run([sys.executable, HERE / "tests/archive/make_sessions.py", home / "sessions", str(COUNT)], check=True)
    names = sorted(os.listdir(home / "sessions"))
    (home / "sessions.txt").write_text("\n".join(names) + "\n")
    rounds = COUNT // (2 * CHUNK)
    assert rounds, f"{2 * CHUNK} sessions at least"
    took = {workers: [] for workers in (1, 2)}
    for number in range(rounds):
        for workers in (1, 2) if number % 2 == 0 else (2, 1):
            took[workers].append(worked(home, (2 * number, 2 * number + 1), workers, home / f"results-{workers}"))
    for workers, times in took.items():
        clock, cpu = (sum(part) for part in zip(*times))
        done = len(list((home / f"results-{workers}").glob("*-results/results.json")))
        assert done == rounds * 2 * CHUNK, f"{done} sessions done"
        told(f"{done} sessions of 3 responses (1.25 s at 4 kHz; octaves, modes 25 to 40 Hz), {CHUNK} a job, {workers} at a time", f"{clock:.1f} s by the clock, {cpu / done:.4f} s of processor a session, processor over clock {cpu / clock:.2f}")
    by_clock = sorted(one[0] / two[0] for one, two in zip(took[1], took[2]))
    by_cpu = sorted(2 * one[1] / two[1] for one, two in zip(took[1], took[2]))
    spread = f"least {{:.2f}}, median {{:.2f}}, most {{:.2f}} of {rounds} pairs"
    shown = lambda ratios: spread.format(ratios[0], statistics.median(ratios), ratios[-1])
    told("one worker's time over two workers', by the clock", f"{shown(by_clock)}, on {os.cpu_count()} cores (load before {LOAD:.1f}, after {os.getloadavg()[0]:.1f})")
    told("the same if each worker had a core of its own: twice one worker's processor time over two workers'", shown(by_cpu))
    folder = home / "results-1" / f"{names[0]}-results"
    files = list(folder.iterdir())
    told("a results folder", f"{len(files)} files, {sum(file.stat().st_size for file in files) / 1000:.0f} kB, of these the report {(folder / 'report.html').stat().st_size / 1000:.0f} kB")


def plans(home):
    """What a plan costs, a job: the difference between two sizes. Files of a session are only named in it."""
    snakemake = pathlib.Path(sys.executable).parent / "snakemake"
    times = {}
    for count in (500, 2_000):
        part = home / f"plan-{count}"
        for number in range(count):
            state = part / "sessions" / f"room-{number}" / "empty"
            state.mkdir(parents=True)
            for place in range(3):
                (state / f"place-{place}.wav").touch()
        command = [snakemake, "-s", HERE / "docs/archive/Snakefile", "-n", "--quiet", "all", "--directory", part, "--config", f"program={PROGRAM}"]
        times[count] = run(*command)
    (few, (a, _)), (many, (b, memory)) = times.items()
    told(f"Snakemake's plan, from {few} to {many} jobs", f"{1000 * (b - a) / (many - few):.1f} ms a job, at most {memory:.0f} MB")


def gathered(home):
    """Sessions of 500 rows, many times the same but for what makes each its own."""
    subprocess.run([sys.executable, HERE / "tests/archive/make_sessions.py", home / "one", "1"], check=True)
    source = home / "one-results"
    run(PROGRAM, "analyze", home / "one" / "room-0", "--out", source, "--quiet", *FEW_MODES)
    lines = (source / "bands.csv").read_text().splitlines(keepends=True)
    rows = 500
    times = {}
    forms = {"csv": [], "parquet": ["--tables", "parquet"]}
    for count in (500, 2_000):
        at = home / f"many-{count}"
        for number in range(count):
            folder = at / f"s{number}-results"
            shutil.copytree(source, folder, ignore=shutil.ignore_patterns("report.html"))
            (folder / "bands.csv").write_text(lines[0] + "".join((lines[1:] * rows)[:rows]))
            said = (folder / "results.json").read_text()
            said = said.replace(f'{{"table":"bands","rows":{len(lines) - 1}}}', f'{{"table":"bands","rows":{rows}}}')
            head, tail = said.split('"sha256":"', 1)
            (folder / "results.json").write_text(f'{head}"sha256":"{number:08x}{tail[8:]}')
        for form in forms:
            try:
                times[form, count] = run(PROGRAM, "gather", at, "--out", home / f"all-{form}", "--quiet", *forms[form])
            except AssertionError:
                told(f"gather, {form}", "this build doesn't write it")
    for form in forms:
        if (form, 2_000) in times:
            (a, _), (b, memory) = times[form, 500], times[form, 2_000]
            size = sum(file.stat().st_size for file in (home / f"all-{form}").glob(f"*.{form}")) / 1e6
            with open(home / f"all-{form}" / "bands.csv") as file:
                count = sum(1 for _ in file) - 1
            told(f"gather, {form}, {count} rows of bands.csv from 2,000 sessions", f"{b:.2f} s of processor, {memory:.0f} MB, {size:.0f} MB of tables; {1e6 * (b - a) / (1_500 * rows):.2f} s a million rows more")


LOAD = os.getloadavg()[0]
with tempfile.TemporaryDirectory() as folder:
    for part in (responses, reading, sessions, plans, gathered):
        if not sys.argv[3:] or part.__name__ in sys.argv[3:]:
            part(pathlib.Path(folder))
