"""Scale of a panel that shows changes in dB: limits and step between grid lines."""

from __future__ import annotations

import math
from collections.abc import Iterable

__all__ = ["STEP_HEIGHT", "change_limits"]


_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


_MAX_STEPS = 10


_MIN_STEPS = 6


STEP_HEIGHT = 20.0
"""Pixels between two grid lines: a tenth of a decade of frequency, so that a decade is as long as ten steps."""


def change_limits(values: Iterable[float]) -> tuple[float, float, float]:
    """Return the lower and upper limit and the step between grid lines in dB: six to ten steps, zero among the lines.

    Parameters
    ----------
    values : iterable of float
        All changes of a panel in dB, finite.
    """
    with_zero = [*values, 0.0]
    low, high = min(with_zero), max(with_zero)
    for step in _STEPS:
        bottom, top = math.floor(low / step - 1e-9), math.ceil(high / step + 1e-9)
        # A curve that touches the frame could not be distinguished from it.
        bottom -= low < 0 and low <= (bottom + 0.2) * step
        top += high > 0 and high >= (top - 0.2) * step
        if top - bottom <= _MAX_STEPS:
            break
    while top - bottom < _MIN_STEPS:
        bottom, top = (bottom, top + 1) if high + top * step <= -(low + bottom * step) else (bottom - 1, top)
    return bottom * step, top * step, step
