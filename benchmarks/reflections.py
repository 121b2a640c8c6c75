"""How often the check of reflections misses a reflection, and how often it finds one where there is none.

Simulated recordings of swept sines go through the importer: loudspeakers alone, with 1 to 50 reflections, and in
rectangular rooms from anechoic to live. Run it by itself; it is not part of the tests:

    PYTHONPATH=tests python benchmarks/reflections.py [--alone 300] [--reflections 200] [--rooms 200] [--seed 1]
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from anechain.acoustics.recording.reflections import level_through_window
from anechain.acoustics.recording.time_windows import Window
from anechain.data.checks import BAD, DOUBTFUL, GOOD, NOT_MADE
from anechain_capture.options import CaptureOptions
from anechain_capture.read import read
from capture_files import sweep, write
from room_images import axis_of, impulse_response, level, random_loudspeaker, random_reflections, random_room

ARRIVAL = 0.005
RATES = (44100, 48000, 88200, 96000)


def simulate(kind: str, random: np.random.Generator, folder: Path) -> dict[str, object]:
    """Record one loudspeaker, and return the verdict, the times of the first strong reflection, and levels."""
    rate = int(random.choice(RATES))
    frequency = axis_of(rate)
    loudspeaker = random_loudspeaker(random)
    direct, reflections = loudspeaker.spectrum(frequency), []
    if kind == "reflections":
        reflections = random_reflections(random, frequency, direct)
    elif kind == "rooms":
        reflections, direct = random_room(random, frequency, loudspeaker)
    after = float(np.round(random.uniform(5, 27), 1))
    window = Window(0.001, after / 1e3, after / 4e3)
    response = impulse_response(frequency, direct, reflections, ARRIVAL, rate)
    played = sweep(rate)
    length = 2 ** int(np.ceil(np.log2(played.size + rate)))
    record = np.fft.irfft(np.fft.rfft(played, length) * np.fft.rfft(response, length), length)[: played.size + rate]
    record *= 0.5 / np.abs(record).max()
    ratio = random.uniform(25, 70)
    record += np.sqrt(np.mean(record**2)) * 10 ** (-ratio / 20) * random.standard_normal(record.size)
    write(folder / "played.wav", 0.5 * played, rate=rate)
    path = write(folder / "yew horizontal 0.wav", record, rate=rate)
    options = CaptureOptions(
        pattern="yew {plane} {angle}.wav", excitation=folder / "played.wav", window={"after": after}, drive=1.0
    )
    check = {each.id: each for each in read([path], options).checks}["reflection"]
    strong = [
        each.delay
        for each in reflections
        # From 1.6 ms on: the response begins up to 0.1 ms before its maximum.
        if each.delay > 0.0016 and level_through_window(level(frequency, direct, each), each.delay, window) >= -20
    ]
    first = re.search(r"([\d.]+) ms after the direct sound, ", check.found) if check.values else None
    found = float(first[1]) / 1e3 if first else None
    return {
        "verdict": check.verdict,
        "strong": min(strong, default=None),
        "early": any(each.delay <= 0.0016 for each in reflections),
        "found": found,
        "text": f"{rate} Hz, {after} ms, {ratio:.0f} dB: {check.found or check.reason} {check.floor}",
    }


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name, default in (("alone", 300), ("reflections", 200), ("rooms", 200), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    start = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("alone", "reflections", "rooms"):
            random = np.random.default_rng([options.seed, len(kind)])
            results = [simulate(kind, random, Path(folder)) for _ in range(getattr(options, kind))]
            verdicts = Counter(str(result["verdict"]) for result in results)
            print(f"{kind}: {', '.join(f'{verdicts[each]} {each}' for each in (GOOD, DOUBTFUL, BAD, NOT_MADE))}")
            strong = [result for result in results if result["strong"] is not None]
            unseen = [result for result in strong if result["verdict"] in (GOOD, NOT_MADE)]
            late = [
                result
                for result in strong
                if result not in unseen and (result["found"] is None or result["found"] > result["strong"] + 4e-4)
            ]
            false = [result for result in results if kind == "alone" and result["verdict"] in (DOUBTFUL, BAD)]
            if kind == "alone":
                print(f"  false alarms: {len(false)} of {len(results)}")
            else:
                print(
                    f"  with -20 dB or more in the window: {len(strong)}; good or not made: {len(unseen)}; "
                    f"a later one given as the first: {len(late)}"
                )
            if options.verbose:
                for result in (*unseen, *late, *false):
                    print(f"    {result['verdict']}, first strong {result['strong']}: {result['text']}")
            sys.stdout.flush()
    print(f"{time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
