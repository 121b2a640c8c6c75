"""Effective frequency range of a curve: limits re the loudest octave."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.frequency_limits import FrequencyLimits, Minus3dB, frequency_limits
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.methods import method

__all__ = ["effective_frequency_range", "loudest_octave"]

IGNORED_DIP_OCTAVES = 1.0 / 9.0
"""Octaves; narrower dips do not end the effective frequency range (IEC 60268-5, 21.2)."""


def loudest_octave(frequency: ArrayLike, level: ArrayLike, octaves: float = 1.0) -> tuple[float, float] | None:
    """Find the band with the highest mean squared pressure.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    octaves : float
        Width of the band.

    Returns
    -------
    centre_hz, level_db : float
        Centre frequency in Hz, and level in dB of the mean squared pressure; None if no band is inside the data without
        a gap.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, values = check_levels(frequency, level)
    half = 2.0 ** (octaves / 2)
    best: tuple[float, float] | None = None
    for centre in grid.tolist():
        if centre / half < grid[0] or centre * half > grid[-1]:
            continue
        part = segment_in_band(grid, values, centre / half, centre * half)
        if not part.reason and (best is None or mean_power_level(part) > best[1] + 1e-9):
            best = centre, mean_power_level(part)
    return best


@method(
    "effective-frequency-range",
    version=1,
    title="Effective frequency range: -10 dB re the loudest octave",
    formula="Frequencies at which the level falls to 10 dB below 10 lg of the mean squared pressure over the "
    "loudest octave; dips narrower than 1/9 octave are ignored",
    source="IEC 60268-5, 21.2; dips narrower than 1/9 octave at the -10 dB level are ignored",
    source_status="recalled",
    limitations="The reference is the loudest octave, so that a peak narrows the range.",
)
def effective_frequency_range(
    frequency: ArrayLike,
    level: ArrayLike,
    drop_db: float = 10.0,
    octaves: float = 1.0,
    ignored_dip_octaves: float = IGNORED_DIP_OCTAVES,
    minus_3_db: Minus3dB = "half power",
) -> FrequencyLimits:
    """Return the frequencies between which a curve is at most 10 dB below its mean over the loudest octave.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    drop_db : float
        Drop in dB; 10 in the standard.
    octaves : float
        Width in octaves of the loudest band; 1 in the standard.
    ignored_dip_octaves : float
        Narrower dips, in octaves, do not end the range.
    minus_3_db
        As in :func:`anechain.acoustics.curve.frequency_limits.frequency_limits`.

    Returns
    -------
    FrequencyLimits
        Limits for one drop.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree, or a drop or a width is not above zero.
    """
    if not octaves > 0:
        raise ValueError(f"the width of the loudest band must be above zero, not {octaves} octaves")
    band = "octave" if octaves == 1 else f"{octaves:.3g} octaves"
    name = f"mean squared pressure over the loudest {band}"
    loudest = loudest_octave(frequency, level, octaves)
    if loudest is None:
        return FrequencyLimits(None, name, (), (), f"the data contain no whole {band} without a gap")
    centre, reference_db = loudest
    reference = f"{name}, around {format_hertz(centre)} Hz"
    known = np.isfinite(np.asarray(level, dtype=np.float64))
    inner = known[known.argmax() : known.size - known[::-1].argmax()]
    if not inner.all():
        reference += ", only bands without a gap (a louder band may be in the gap)"
    return frequency_limits(
        frequency, level, reference_db, reference, centre, (drop_db,), minus_3_db, ignored_dip_octaves
    )
