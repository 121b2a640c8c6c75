"""Levels at equal steps that the takes of a device reach."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.nonlinear.distortion_at_level import LEVEL_TOLERANCE
from anechain.methods import method

__all__ = ["LEVEL_STEP", "LOWEST_LEVEL", "levels_within_takes"]

LOWEST_LEVEL = 84.0
"""dB at 1 m. Common practice, no source."""
LEVEL_STEP = 6.0
"""dB. Common practice, no source."""


@method(
    "levels-within-takes",
    version=1,
    title="Levels at equal steps that the takes reach",
    formula="Lowest level plus n steps, from the lowest to the highest level of the takes, and the tolerance beyond",
    source="equal steps, so that devices share levels",
    source_status="common practice, no source",
    limitations="The highest level measured is usually between two steps, and has no results of its own.",
)
def levels_within_takes(
    levels: Sequence[float | None],
    lowest_db: float = LOWEST_LEVEL,
    step_db: float = LEVEL_STEP,
    tolerance_db: float = LEVEL_TOLERANCE,
) -> tuple[float, ...]:
    """Return the levels at equal steps within the levels of the takes.

    Parameters
    ----------
    levels : sequence of float or None
        Level in dB of each take; None where it is not determined.
    lowest_db, step_db : float
        Lowest of the levels, and their step, dB.
    tolerance_db : float
        A level this far beyond the takes still counts as reached, dB.

    Returns
    -------
    tuple of float
        dB, ascending; empty if no level is reached.

    Raises
    ------
    ValueError
        If the step is not above zero.
    """
    if not step_db > 0:
        raise ValueError(f"the step must be above zero, not {step_db} dB")
    known = [level for level in levels if level is not None]
    if not known:
        return ()
    first = max(int(np.ceil((min(known) - tolerance_db - lowest_db) / step_db)), 0)
    last = int(np.floor((max(known) + tolerance_db - lowest_db) / step_db))
    return tuple(lowest_db + step * step_db for step in range(first, last + 1))
