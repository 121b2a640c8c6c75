"""Constancy and smoothness of a directivity index over frequency."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from anechain.acoustics.curve.linearity import linearity
from anechain.acoustics.curve.trends import Trend, fit_trend
from anechain.methods import method

__all__ = ["DirectivityConstancy", "directivity_constancy"]


@dataclass(frozen=True)
class DirectivityConstancy:
    """A directivity index in a band; None where not determined.

    Attributes
    ----------
    mean_db : float or None
        Mean over log frequency in dB.
    plus_minus_db : float or None
        Half the difference in dB between the highest and the lowest value.
    constancy_db : float or None
        Standard deviation in dB about the mean: 0 for an index that is the same at all frequencies.
    trend : Trend
        Line through the index; its slope is in dB per octave.
    smoothness_db : float or None
        Standard deviation in dB about that line: 0 for an index that is a straight line over log frequency.
    low_hz, high_hz : float
        Band in Hz.
    reason : str
        Why they are not determined; empty if they are.
    """

    mean_db: float | None
    plus_minus_db: float | None
    constancy_db: float | None
    trend: Trend
    smoothness_db: float | None
    low_hz: float
    high_hz: float
    reason: str


@method(
    "directivity-constancy",
    version=2,
    title="Constancy and smoothness of a directivity index",
    formula="Standard deviation over log frequency of the index about its mean, and about its least squares line",
    source="standard deviation about the mean, and about a line over log frequency",
    source_status="common practice, no source",
    limitations="Smooth means close to a line: an index that rises in one wide step is not smooth.",
)
def directivity_constancy(
    frequency: ArrayLike, index: ArrayLike, low_hz: float = 300.0, high_hz: float = 10000.0
) -> DirectivityConstancy:
    """Return the spread of a directivity index about its mean and about its trend, in a band.

    Parameters
    ----------
    frequency, index : array_like, shape (n,)
        Hz, ascending, and dB.
    low_hz, high_hz : float
        Band in Hz.

    Returns
    -------
    DirectivityConstancy

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is empty.
    """
    spread = linearity(frequency, index, low_hz, high_hz)
    line = fit_trend(frequency, index, low_hz, high_hz)
    return DirectivityConstancy(
        spread.mean_db,
        spread.plus_minus_db,
        spread.standard_deviation_db,
        line,
        line.residual_db,
        low_hz,
        high_hz,
        spread.reason or line.reason,
    )
