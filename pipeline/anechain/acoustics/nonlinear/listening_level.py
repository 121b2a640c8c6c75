"""Level that a device reaches over a range of frequencies, and level at a listening distance."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.room_extension import room_gain
from anechain.acoustics.curve.segments import segment_in_band
from anechain.methods import method

__all__ = ["listening_level_step", "lowest_level"]

Addition = Literal["incoherent", "coherent"]


@method(
    "held-level",
    version=1,
    title="Level that is reached at every frequency of a range",
    formula="Lowest level in the range",
    source="lowest level between the two ends, with interpolated levels at the ends",
    source_status="common practice, no source",
    limitations="A narrow notch lowers it: smooth the level first.",
)
def lowest_level(
    frequency: ArrayLike,
    level: ArrayLike,
    low_hz: float,
    high_hz: float,
    longest_dimension_m: float | None = None,
) -> float | None:
    """Return the lowest level in a range of frequencies.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB. The level is not smoothed here.
    low_hz, high_hz : float
        Ends of the range, Hz.
    longest_dimension_m : float, optional
        Longest side of a rigid, airtight room, whose gain is added; see
        :func:`anechain.acoustics.curve.room_extension.room_gain`.

    Returns
    -------
    float or None
        dB; None if the data do not cover the range without a gap.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    if not low_hz < high_hz:
        return None
    part = segment_in_band(frequency, level, low_hz, high_hz)
    if part.reason:
        return None
    gain = 0.0 if longest_dimension_m is None else room_gain(part.frequency, longest_dimension_m)
    return float(np.min(part.level + gain))


@method(
    "listening-level",
    version=1,
    title="Step from one device at 1 m to several devices at a listening distance",
    formula="-20 lg(distance / 1 m), plus 10 lg n (incoherent) or 20 lg n (coherent) for n devices",
    source="inverse distance law, -20 lg(d / 1 m); n equal devices add 10 lg n (incoherent) or 20 lg n (coherent)",
    source_status="common practice, no source",
    limitations="Direct sound in the far field, without the room's reverberant sound. Several devices add coherently "
    "only where their path lengths agree within a fraction of a wavelength.",
)
def listening_level_step(distance_m: float, devices: int = 1, addition: Addition = "incoherent") -> float:
    """Return the change of level from one device at 1 m to several devices at a listening distance.

    Parameters
    ----------
    distance_m : float
        Listening distance, m.
    devices : int
        Number of devices.
    addition : {"incoherent", "coherent"}
        Whether powers or pressures of the devices add.

    Returns
    -------
    float
        dB.

    Raises
    ------
    ValueError
        If the distance is not above zero, there is no device, or `addition` is not known.
    """
    if not 0 < distance_m < np.inf or devices < 1:
        raise ValueError(f"the distance must be above zero with at least one device, not {distance_m} m and {devices}")
    if addition not in ("incoherent", "coherent"):
        raise ValueError(f'addition must be "incoherent" or "coherent", not {addition!r}')
    per_decade = 10.0 if addition == "incoherent" else 20.0
    return float(per_decade * np.log10(devices) - 20.0 * np.log10(distance_m))
