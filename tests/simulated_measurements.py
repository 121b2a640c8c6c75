"""Simulated measurements of a source in closed form, with errors of stated size: the truth of every number is known.

The source is that of :mod:`modelled_speaker` (pistons in a baffle, a Linkwitz-Riley crossover, a Butterworth
high-pass) with second-order peaking filters (biquads in s, H = (s² + g s/Q + 1) / (s² + s/Q + 1)). The errors owe
nothing to the code that propagates them: smooth errors are a stationary Gaussian process over log frequency with the
covariance exp(-d² / 2 l²) (Rasmussen and Williams 2006, eq. 4.9; recalled), drawn by Cholesky factors.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import xarray as xr

import modelled_speaker
import valid_datasets
from anechain.arrays import Floats
from anechain.data.contract import describe

ANGLES = np.arange(-170.0, 181.0, 10.0)
PLANES = ("horizontal", "vertical")
PEAKS = ((180.0, 1.0, 2.0), (620.0, 5.0, 1.5), (1500.0, 1.5, -1.5), (4200.0, 2.0, 1.2), (8000.0, 3.0, -1.0))
"""Hz, Q and height in dB of the filters of the uneven source."""


@dataclass(frozen=True)
class Errors:
    """Standard deviations of errors in dB, and how those of a capture depend on frequency.

    Attributes
    ----------
    capture : float
        dB; an error of each capture.
    octaves : float or None
        Octaves after which it is independent; None for one error at all frequencies, 0 for white noise.
    common : float
        dB; one error for all captures and frequencies.
    """

    capture: float
    octaves: float | None
    common: float = 0.0


def peaking(frequency: Floats) -> Floats:
    """Response of the filters of the uneven source, dB."""
    level = np.zeros(frequency.size)
    for centre, quality, height in PEAKS:
        s = 1j * frequency / centre
        gain = 10 ** (height / 20)
        level += 20 * np.log10(np.abs((s**2 + gain * s / quality + 1) / (s**2 + s / quality + 1)))
    return level


@cache
def _source(per_octave: int) -> xr.Dataset:
    return modelled_speaker.responses(modelled_speaker.log_frequencies(per_octave), ANGLES)


def source(per_octave: int = 12, uneven: bool = True) -> xr.Dataset:
    """Return the error-free levels as the contract `responses` describes them."""
    flat = _source(per_octave)
    frequency = np.asarray(flat["frequency"].values)
    level = flat["level"].values + (peaking(frequency) if uneven else 0.0)
    dataset = xr.Dataset(
        {
            "level": (("plane", "angle", "frequency"), level),
            "measured": (("plane", "angle"), np.ones(level.shape[:2], np.int8)),
        },
        coords={"plane": list(PLANES), "angle": ANGLES, "frequency": frequency},
        attrs=valid_datasets.ABOUT | {"datasets": "none", "valid_low": 20.0, "valid_high": 20_000.0},
    )
    return describe(dataset, "responses")


@cache
def _factor(frequencies: bytes, octaves: float) -> Floats:
    """Cholesky factor of the process whose independent values are `octaves` apart.

    The correlation length l is chosen so that the variance of a mean over a long band is that of one independent value
    every `octaves`: the integral of exp(-d² / 2 l²) over d, sqrt(2 pi) l, is `octaves`.
    """
    x = np.log2(np.frombuffer(frequencies))
    distance = x[:, np.newaxis] - x
    length = octaves / np.sqrt(2 * np.pi)
    return np.linalg.cholesky(np.exp(-(distance**2) / 2 / length**2) + 1e-8 * np.eye(x.size))


def capture_errors(random: np.random.Generator, errors: Errors, captures: int, frequency: Floats) -> Floats:
    """Return errors of captures, dB, shape (captures, n)."""
    if errors.octaves is None:
        drawn = random.standard_normal((captures, 1)) * np.ones(frequency.size)
    elif errors.octaves == 0:
        drawn = random.standard_normal((captures, frequency.size))
    else:
        factor = _factor(np.ascontiguousarray(frequency, dtype=np.float64).tobytes(), errors.octaves)
        drawn = random.standard_normal((captures, frequency.size)) @ factor.T
    return errors.capture * drawn + errors.common * random.standard_normal()


def measured(truth: xr.Dataset, random: np.random.Generator, errors: Errors) -> xr.Dataset:
    """Return the source as measured: each capture with its errors; 0° and 180° are one capture on both orbits."""
    frequency = np.asarray(truth["frequency"].values)
    drawn = capture_errors(random, errors, 2 * ANGLES.size, frequency).reshape(2, ANGLES.size, -1)
    shared = np.isin(ANGLES, (0.0, 180.0))
    drawn[1, shared] = drawn[0, shared]
    return truth.assign(level=(("plane", "angle", "frequency"), truth["level"].values + drawn))


def measured_harmonics(truth: xr.Dataset, random: np.random.Generator, errors: Errors) -> xr.Dataset:
    """Return the harmonics as measured: order n of a capture has the capture's error at n times the frequency."""
    frequency = np.asarray(truth["frequency"].values)
    orders = np.asarray(truth["order"].values)
    sounding, place = np.unique(np.round(orders[:, np.newaxis] * frequency, 6), return_inverse=True)
    drawn = capture_errors(random, errors, truth.sizes["drive"], sounding)[:, place.reshape(orders.size, -1)]
    return truth.assign(level=(("drive", "order", "frequency"), truth["level"].values + drawn))
