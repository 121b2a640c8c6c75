"""Speed of the deconvolution of 72 recordings of 2^18 samples, compared with their bare transforms and with pyfar.

Run it by itself; it is not part of the tests:

    python benchmarks/deconvolution.py [--workers 2] [--rounds 15]

pyfar, an independent implementation, is compared if it is installed (the optional extra `bench`).
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
import warnings
from collections.abc import Callable, Mapping

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum
from anechain.acoustics.recording.sweeps import swept_sine

RECORDINGS, SAMPLES, SAMPLING_RATE, BAND = 72, 2**18, 48000, (20.0, 20000.0)
BATCH = 4


def measure_alternately(tasks: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, NDArray[np.float64]]:
    """Return the seconds of each task in each round; tasks alternate, so that other load affects all equally."""
    times: dict[str, list[float]] = {name: [] for name in tasks}
    for number in range(rounds + 1):
        for name, task in tasks.items():
            start = time.perf_counter()
            task()
            if number:  # the first round warms up
                times[name].append(time.perf_counter() - start)
    return {name: np.array(seconds) for name, seconds in times.items()}


def peak_megabytes() -> float:
    """Return the peak resident memory of this process."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (2**20 if sys.platform == "darwin" else 2**10)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=15)
    options = parser.parse_args()
    sweep = swept_sine("exponential", *BAND, 5.0, SAMPLING_RATE, 0.01, 0.01)
    random = np.random.default_rng(1)
    recordings = np.zeros((RECORDINGS, SAMPLES))
    recordings[:, 500 : 500 + sweep.size] = sweep
    recordings += 1e-4 * random.standard_normal(recordings.shape)
    print(f"{RECORDINGS} recordings of {SAMPLES} samples, float64, {options.workers} workers, {options.rounds} rounds")
    print(f"memory with the recordings in place: {peak_megabytes():.0f} MB")

    def in_batches() -> None:
        inverse = inverse_spectrum(sweep, SAMPLES, SAMPLING_RATE, BAND)
        for first in range(0, RECORDINGS, BATCH):
            deconvolve(recordings[first : first + BATCH], inverse, SAMPLES, options.workers)

    def at_once() -> None:
        deconvolve(recordings, inverse_spectrum(sweep, SAMPLES, SAMPLING_RATE, BAND), SAMPLES, options.workers)

    def bare(batch: int) -> Callable[[], None]:
        def task() -> None:
            for first in range(0, RECORDINGS, batch):
                spectrum = scipy.fft.rfft(recordings[first : first + batch], axis=-1, workers=options.workers)
                scipy.fft.irfft(spectrum, SAMPLES, axis=-1, workers=options.workers, overwrite_x=True)

        return task

    in_batches()
    print(f"memory after a run in batches of {BATCH}: {peak_megabytes():.0f} MB")
    tasks: dict[str, Callable[[], object]] = {
        "bare transforms in batches": bare(BATCH),
        "bare transforms at once": bare(RECORDINGS),
        "deconvolution in batches": in_batches,
        "deconvolution at once": at_once,
    }
    try:
        import pyfar
    except ImportError:
        print("pyfar is not installed: not compared")
    else:
        warnings.simplefilter("ignore")
        played = pyfar.Signal(np.pad(sweep, (0, SAMPLES - sweep.size)), SAMPLING_RATE)
        recorded = pyfar.Signal(recordings, SAMPLING_RATE)

        def inverted() -> object:
            # Set each time: a Signal keeps the domain in which it was last used.
            recorded.time = recordings
            return (recorded * pyfar.dsp.regularized_spectrum_inversion(played, BAND)).time

        def deconvolved() -> object:
            recorded.time = recordings
            return pyfar.dsp.deconvolve(recorded, played, frequency_range=BAND).time

        tasks[f"pyfar {pyfar.__version__} spectrum inversion"] = inverted
        tasks[f"pyfar {pyfar.__version__} deconvolve"] = deconvolved
    times = measure_alternately(tasks, options.rounds)
    limit = np.min([seconds for name, seconds in times.items() if name.startswith("bare")], axis=0)
    in_batches_seconds = times["deconvolution in batches"]
    print("median; median ratios within a round to the fastest bare transforms and to the deconvolution in batches:")
    for name, seconds in times.items():
        ratios = f"{np.median(seconds / limit):6.2f} {np.median(seconds / in_batches_seconds):6.2f}"
        print(f"{name:34} {np.median(seconds):.3f} s {ratios}   fastest {seconds.min():.3f} s")
    print(f"memory at the end: {peak_megabytes():.0f} MB")


if __name__ == "__main__":
    main()
