"""Elements of a panel over frequency: curves, marked points and line segments, with their looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from anechain.arrays import Floats
from anechain.figures import style

__all__ = ["Panel", "Point", "Segment", "Series", "Side"]


Side = Literal["above", "below", "left", "right", "above left", "below left", "below right"]


@dataclass(frozen=True)
class Series:
    """A curve of a panel.

    Attributes
    ----------
    column : str
        Name of its column in the data of the specification.
    key, title : str
        Its key in the legend, and its name in print.
    values : numpy.ndarray, shape (n,)
        dB; NaN interrupts the curve.
    colour : str
        Hexadecimal.
    dash : tuple of float
        Lengths of dashes and gaps in pixels.
    half_width : numpy.ndarray, shape (n,), or None
        Half width in dB of the uncertainty band around the curve.
    """

    column: str
    key: str
    title: str
    values: Floats
    colour: str
    dash: tuple[float, ...]
    half_width: Floats | None = None


@dataclass(frozen=True)
class Point:
    """A marked point of a panel.

    Attributes
    ----------
    frequency, level : float
        Hz and dB.
    label : str
        Text of its label.
    shape : str
        Shape of the marker, as Vega-Lite names it.
    filled : bool
        Whether the marker is filled.
    side : str
        Side of the marker on which the label is.
    label_at : tuple of float, or None
        Hz and dB: the label is there instead, on the side `side`, and a thin line joins it to the marker.
    """

    frequency: float
    level: float
    label: str
    shape: str = "circle"
    filled: bool = True
    side: Side = "above"
    label_at: tuple[float, float] | None = None


@dataclass(frozen=True)
class Segment:
    """A straight line segment of a panel.

    Attributes
    ----------
    start, end : tuple of float
        Hz and dB of its ends.
    label : str
        Text of its label, which ends at the frequency of `end`.
    label_level : float or None
        Level of the label in dB; that of `end` by default.
    colour, dash : str, tuple of float
        As for :class:`Series`.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    label: str = ""
    label_level: float | None = None
    colour: str = style.INK
    dash: tuple[float, ...] = (1, 0)


@dataclass(frozen=True)
class Panel:
    """A panel of curves.

    Attributes
    ----------
    name : str
        Prefix of the names of its layers and selections.
    title : str
        Title of the level axis.
    limits : tuple of float
        Lower and upper limit of the level axis in dB.
    series : tuple of Series
        The curves in the order of the legend.
    legend_of : str or None
        Name of the panel with whose legend it shares the selection; it has no own legend then.
    points : tuple of Point
        Marked points.
    segments : tuple of Segment
        Line segments.
    """

    name: str
    title: str
    limits: tuple[float, float]
    series: tuple[Series, ...]
    legend_of: str | None = None
    points: tuple[Point, ...] = ()
    segments: tuple[Segment, ...] = ()
