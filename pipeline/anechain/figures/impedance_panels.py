"""Panels of the impedance figure: scales of ohm and degrees, marked points, and uncertainty bands."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.style import BLACK

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "ImpedanceMark",
    "ImpedancePanel",
    "format_ohm",
    "half_widths",
    "ohm_limits",
    "ohm_panel",
    "phase_limits",
    "phase_panel",
]


OHM_DECADE = style.PANEL_WIDTH / math.log10(style.FREQUENCY_RANGE[1] / style.FREQUENCY_RANGE[0])
"""Pixels per decade of ohm: as long as a decade of frequency (IEC 60263:2020, clause 4.2, allows ratios of 0.5, 1, 1.25
and 2.5 for a logarithmic amplitude)."""


_MAX_DECADES = 4


_HEADROOM_RATIO = 1.2
"""Ratio of the limits of an ohm axis to the extreme values, at least: the labels of marks need this room."""


_PHASE_PANEL_HEIGHT = 150.0


_NARROW_PHASE_LIMIT = 90.0


@dataclass(frozen=True)
class ImpedancePanel:
    """A panel of the impedance figure.

    Attributes
    ----------
    name, column : str
        Its name, and the name of the column of its curve in the data.
    title : str
        Title of its axis.
    colour : str
        Of its curve.
    limits : tuple of float
        Of its axis, in ohm or degrees.
    height : float
        Pixels.
    ticks : tuple of float
        Values with a grid line.
    labels : dict of str to str
        Labels by tick.
    scale : str
        "log" or "linear".
    """

    name: str
    column: str
    title: str
    colour: str
    limits: tuple[float, float]
    height: float
    ticks: tuple[float, ...]
    labels: dict[str, str]
    scale: str

    @property
    def edges(self) -> tuple[str, str]:
        """Columns of the lower and upper edge of the uncertainty band."""
        return f"{self.column}_low", f"{self.column}_high"


@dataclass(frozen=True)
class ImpedanceMark:
    """A marked point of a panel: panel name, Hz, value in ohm or degrees, label, colour and shape."""

    panel: str
    frequency: float
    value: float
    label: str
    colour: str
    shape: str


def ohm_limits(values: ArrayLike) -> tuple[float, float]:
    """Return the limits of a logarithmic ohm axis: 1, 2 or 5 times a power of ten, at least a decade apart.

    Values more than four decades below the maximum may be outside.
    """
    finite = np.asarray(values, np.float64)
    finite = finite[np.isfinite(finite) & (finite > 0)]
    if not finite.size:
        return 1.0, 10.0
    top = _round_to_125(float(finite.max()) * _HEADROOM_RATIO, up=True)
    low = _round_to_125(max(float(finite.min()) / _HEADROOM_RATIO, top / 10**_MAX_DECADES), up=False)
    while top < 10 * low * (1 - 1e-9):
        top = _round_to_125(top * 1.01, up=True)
    return low, top


def _round_to_125(value: float, up: bool) -> float:
    """Round a value up or down to 1, 2 or 5 times a power of ten."""
    decade = 10.0 ** math.floor(math.log10(value) + 1e-9)
    steps = [decade * step for step in (1, 2, 5, 10)]
    slack = 1e-9 * value
    return float(
        f"{min(s for s in steps if s >= value - slack) if up else max(s for s in steps if s <= value + slack):.6g}"
    )


def phase_limits(values: ArrayLike) -> tuple[float, float]:
    """Return the limits of a phase axis in degrees: ±90, or ±180 if values are beyond ±90."""
    finite = np.asarray(values, np.float64)
    finite = finite[np.isfinite(finite)]
    beyond = finite.size > 0 and float(np.abs(finite).max()) > _NARROW_PHASE_LIMIT
    return (-180.0, 180.0) if beyond else (-_NARROW_PHASE_LIMIT, _NARROW_PHASE_LIMIT)


def format_ohm(value: float) -> str:
    """Return a resistance in ohm with three significant digits and its unit."""
    return f"{value:.3g} Ω"


def ohm_panel(name: str, column: str, title: str, colour: str, values: Floats) -> ImpedancePanel:
    """Return a panel with a logarithmic ohm axis that includes the values."""
    low, high = ohm_limits(values)
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    digits = [float(f"{digit * 10.0**decade:.6g}") for decade in decades for digit in range(1, 10)]
    ticks = tuple(tick for tick in digits if low <= tick <= high)
    labels = {f"{tick:g}": f"{tick:g}" for tick in ticks if f"{tick:e}"[0] in "125"}
    return ImpedancePanel(
        name, column, title, colour, (low, high), OHM_DECADE * math.log10(high / low), ticks, labels, "log"
    )


def phase_panel(values: Floats) -> ImpedancePanel:
    """Return the panel of the phase."""
    low, high = phase_limits(values)
    ticks = tuple(np.arange(low, high + 1, 15.0 if high == _NARROW_PHASE_LIMIT else 30.0).tolist())
    labels = {f"{tick:g}": f"{tick:g}".replace("-", "−") for tick in ticks if tick % (high / 2) == 0}
    return ImpedancePanel(
        "phase", "phase", "Phase in degrees", BLACK, (low, high), _PHASE_PANEL_HEIGHT, ticks, labels, "linear"
    )


def half_widths(uncertainty: xr.Dataset | None) -> tuple[dict[str, Floats], float]:
    """Return the expanded uncertainty by column, for columns with a known uncertainty, and the coverage factor."""
    if uncertainty is None:
        return {}, 1.0
    factor = float(uncertainty.attrs["coverage_factor"])
    widths = {}
    for column, name in (("modulus", "magnitude"), ("phase", "phase")):
        parts = [uncertainty.get(f"{name}_{part}") for part in ("common", "own")]
        values = [np.asarray(part.values, np.float64) for part in parts if part is not None]
        if values and np.isfinite(values).any():
            widths[column] = factor * np.sqrt(np.sum(np.square(values), axis=0))
    return widths, factor
