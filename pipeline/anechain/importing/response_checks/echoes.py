"""Check of echoes that all directions have after the same delay: an object of the set-up reflects sound."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.directivity.arrivals import speed_of_sound
from anechain.acoustics.directivity.echoes import find_echoes
from anechain.data.checks import Check, check_not_possible, check_result

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["check_echoes"]

BAND = (100.0, 16000.0)
"""Hz; at lower frequencies the roll-off of the loudspeaker hides a ripple; common practice, no source."""


def check_echoes(responses: xr.Dataset) -> Check:
    """Return the check `echo`: the level of each echo whose delay is the same in all directions."""
    ordered = responses.transpose("plane", "angle", "frequency", ...)
    frequency = np.asarray(ordered["frequency"].values, np.float64)
    low = max(BAND[0], float(responses.attrs.get("valid_low", 0.0)), float(frequency[0]))
    high = min(BAND[1], float(responses.attrs.get("valid_high", math.inf)), float(frequency[-1]))
    planes = [str(plane) for plane in ordered["plane"].values]
    angle = np.asarray(ordered["angle"].values, np.float64)
    inside = (frequency >= low) & (frequency <= high)
    level = np.asarray(ordered["level"].values, np.float64)
    front = np.abs(angle) <= 60
    complete = np.isfinite(level[:, front][..., inside]).all(axis=-1).sum(axis=1)
    if len(planes) < 2 or (complete < 3).any():
        return check_not_possible("echo", "needs three directions within 60° on each orbit")
    if inside.sum() < 48:
        return check_not_possible("echo", "too few frequencies in the valid band")
    temperature = responses.attrs.get("temperature")
    speed = float(speed_of_sound(20.0 if temperature is None else float(temperature)))
    echoes = find_echoes(frequency, level, planes, angle, low, high, speed=speed)
    texts = [
        f"{1e3 * echo.delay_s:.3g} ms after the direct sound (path {echo.path_m:.3g} m longer), "
        f"{echo.level_db:.0f} dB, up to {echo.ripple_db:.1f} dB in the curves"
        for echo in echoes
    ]
    found = "; ".join(texts) or "no ripple evenly spaced in hertz that all directions have"
    return check_result("echo", found, [(f"{1e3 * echo.delay_s:.3g} ms", echo.level_db) for echo in echoes])
