"""Speed of the deconvolution: 72 recordings of 2^18 samples, beside their bare transforms and, where installed, pyfar.

Run it by itself; it is no part of the tests:

    python benchmarks/deconvolution.py [--workers 2] [--rounds 15]

pyfar, an independent implementation, is compared with where it can be imported (the optional extra `bench`).
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


def in_turns(works: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, NDArray[np.float64]]:
    """Seconds of each work in each round; they take turns, so that a busy machine is busy for all alike."""
    times: dict[str, list[float]] = {name: [] for name in works}
    for turn in range(rounds + 1):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            if turn:  # the first one warms up
                times[name].append(time.perf_counter() - start)
    return {name: np.array(taken) for name, taken in times.items()}


def peak_megabytes() -> float:
    """Greatest resident memory of this process so far."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (2**20 if sys.platform == "darwin" else 2**10)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=15)
    asked = parser.parse_args()
    sweep = swept_sine("exponential", *BAND, 5.0, SAMPLING_RATE, 0.01, 0.01)
    random = np.random.default_rng(1)
    recordings = np.zeros((RECORDINGS, SAMPLES))
    recordings[:, 500 : 500 + sweep.size] = sweep
    recordings += 1e-4 * random.standard_normal(recordings.shape)
    print(f"{RECORDINGS} recordings of {SAMPLES} samples, float64, {asked.workers} workers, {asked.rounds} rounds")
    print(f"memory with the recordings in place: {peak_megabytes():.0f} MB")

    def streamed() -> None:
        inverse = inverse_spectrum(sweep, SAMPLES, SAMPLING_RATE, BAND)
        for first in range(0, RECORDINGS, BATCH):
            deconvolve(recordings[first : first + BATCH], inverse, SAMPLES, asked.workers)

    def whole() -> None:
        deconvolve(recordings, inverse_spectrum(sweep, SAMPLES, SAMPLING_RATE, BAND), SAMPLES, asked.workers)

    def bare(batch: int) -> Callable[[], None]:
        def work() -> None:
            for first in range(0, RECORDINGS, batch):
                spectrum = scipy.fft.rfft(recordings[first : first + batch], axis=-1, workers=asked.workers)
                scipy.fft.irfft(spectrum, SAMPLES, axis=-1, workers=asked.workers, overwrite_x=True)

        return work

    streamed()
    print(f"memory after a run in batches of {BATCH}: {peak_megabytes():.0f} MB")
    works: dict[str, Callable[[], object]] = {
        "bare transforms in batches": bare(BATCH),
        "bare transforms at once": bare(RECORDINGS),
        "deconvolution in batches": streamed,
        "deconvolution at once": whole,
    }
    try:
        import pyfar
    except ImportError:
        print("pyfar is not installed: not compared")
    else:
        warnings.simplefilter("ignore")
        played = pyfar.Signal(np.pad(sweep, (0, SAMPLES - sweep.size)), SAMPLING_RATE)
        heard = pyfar.Signal(recordings, SAMPLING_RATE)

        def inverted() -> object:
            # Set anew each time: a Signal keeps the domain that it was last asked for.
            heard.time = recordings
            return (heard * pyfar.dsp.regularized_spectrum_inversion(played, BAND)).time

        def deconvolved() -> object:
            heard.time = recordings
            return pyfar.dsp.deconvolve(heard, played, frequency_range=BAND).time

        works[f"pyfar {pyfar.__version__} spectrum inversion"] = inverted
        works[f"pyfar {pyfar.__version__} deconvolve"] = deconvolved
    found = in_turns(works, asked.rounds)
    limit = np.min([taken for name, taken in found.items() if name.startswith("bare")], axis=0)
    ours = found["deconvolution in batches"]
    print("median, and medians of the ratios within a round to the quicker bare transforms and to ours in batches:")
    for name, taken in found.items():
        ratios = f"{np.median(taken / limit):6.2f} {np.median(taken / ours):6.2f}"
        print(f"{name:34} {np.median(taken):.3f} s {ratios}   quickest {taken.min():.3f} s")
    print(f"memory at the end: {peak_megabytes():.0f} MB")


if __name__ == "__main__":
    main()
