"""What the page says of the uncertainty of a device's levels: its components, and what they come to on the axis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequencies import format_hertz, resample
from anechain.campaign.numbers import NumbersUncertainty
from anechain.data.uncertainty_budget import TITLES, Component, budget_from_json
from anechain.figure_of_merit.impedance_budget import impedance_budget

if TYPE_CHECKING:
    import xarray as xr

    from anechain.report.page import BudgetRow, CombinedRow, UncertaintyPart

__all__ = ["told_uncertainty"]

AT = (100.0, 1000.0, 10000.0)
"""Hz at which the combined standard uncertainty is told."""

_MOST_PAIRS = 4
_KINDS = {
    "standard": "standard uncertainty",
    "rectangular": "half the width of limits, rectangular distribution",
    "triangular": "half the width of limits, triangular distribution",
}
_DIRECTIONS = {"alike": "all directions alike", "own": "each direction's own"}


def told_uncertainty(
    curves: xr.Dataset, impedance: xr.Dataset | None, stated: Mapping[str, Any], options: NumbersUncertainty
) -> UncertaintyPart:
    """Components of the uncertainty in print, those not stated apart, and the combined uncertainty on the axis.

    Parameters
    ----------
    curves : xarray.Dataset
        After the contract `curves`, with the attribute `uncertainty_budget`.
    impedance : xarray.Dataset or None
        After the contract `impedance`; None if it was not measured.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    options : NumbersUncertainty
        How the components go together over frequency, and the coverage factor.
    """
    from anechain.report.page import UncertaintyPart

    components = budget_from_json(str(curves.attrs["uncertainty_budget"]))
    missing = []
    if impedance is None:
        missing = [("impedance", "it was not measured")]
    else:
        components += impedance_budget(impedance, stated)
    combined = tuple(_combined(curves, options.coverage_factor))
    return UncertaintyPart(
        rows=tuple(_row(one, options) for one in components if one.standard is not None),
        missing=(*((TITLES[one.name], _why(one)) for one in components if one.standard is None), *missing),
        combined=combined,
        coverage_factor=f"{options.coverage_factor:g}",
    )


def _why(one: Component) -> str:
    return one.reason if one.value is None else f"stated as {_stated(one)}, but {one.reason}"


def _row(one: Component, options: NumbersUncertainty) -> BudgetRow:
    from anechain.report.page import BudgetRow

    over = {
        "one": "one error at all frequencies",
        "response": f"independent after {_octaves(options.response_octaves)}",
        "own": f"independent after {_octaves(options.repeatability_octaves)}",
    }[one.frequencies]
    together = "; ".join(filter(None, (_DIRECTIONS.get(one.directions, ""), over)))
    evaluation = "Type B"
    if one.kind == "takes":
        least, most = (one.takes[0], one.takes[-1]) if one.takes else (0, 0)
        freedom = f"{least - 1}" if least == most else f"up to {most - 1}"
        evaluation = "Type A" + (f", {freedom} degrees of freedom each" if most > 1 else "")
    return BudgetRow(
        TITLES[one.name],
        _stated(one),
        evaluation,
        _standard(one),
        together,
        one.source or ("the takes" if one.kind == "takes" else ""),
    )


def _octaves(octaves: float) -> str:
    return f"{octaves:g} octave{'s' if octaves > 1 else ''}"


def _stated(one: Component) -> str:
    """The component as the campaign states it."""
    if one.kind == "takes":
        count = f"{one.takes[0]} to {one.takes[-1]}" if len(set(one.takes)) > 1 else "".join(map(str, one.takes[:1]))
        return (
            f"{count} takes: ".lstrip().capitalize()
            + f"standard deviation of one {one.of_one:.2g} {one.standard_unit} (median)"
        )
    kind = f"expanded, k = {one.coverage_factor:g}" if one.kind == "expanded" else _KINDS[one.kind]
    return f"{_value(one.value, one.unit)}, {kind}"


def _value(value: Any, unit: str) -> str:
    gap = "" if unit == "°" else " "
    if not isinstance(value, list):
        return f"{value:g}{gap}{unit}"
    ends = value if len(value) <= _MOST_PAIRS else [value[0], value[-1]]
    listed = [f"{size:g}{gap}{unit} at {format_hertz(hz)} Hz" for hz, size in ends]
    return ", ".join(listed) if ends is value else f"{listed[0]} to {listed[1]} ({len(value)} pairs)"


def _standard(one: Component) -> str:
    assert one.standard is not None
    least, median, greatest = one.standard
    unit = f"{'' if one.standard_unit == '°' else ' '}{one.standard_unit}"
    if one.kind == "takes" or one.name == "angle":
        of = "frequencies" if one.name.startswith("impedance") else "directions and frequencies"
        mean = "of the mean: " if one.kind == "takes" else ""
        return f"{mean}{_size(median)}{unit} (median of {of}; 95 % {_under(greatest)}{unit})"
    return f"{_size(least)}{unit}" if np.isclose(least, greatest) else f"{_size(least)} to {_size(greatest)}{unit}"


def _size(standard: float) -> str:
    """Two figures (JCGM 100:2008, 7.2.6), and no more than thousandths."""
    if standard < 0.0005:
        return "under 0.001" if standard else "0"
    decimals = int(np.clip(1 - np.floor(np.log10(standard)), 0, 3))
    return f"{standard:.{decimals}f}"


def _under(standard: float) -> str:
    told = _size(standard)
    return told if told.startswith("under") else f"under {told}"


def _combined(curves: xr.Dataset, factor: float) -> Iterator[CombinedRow]:
    """The level on the axis at a few frequencies of the valid band; nothing if no component is known."""
    from anechain.report.page import CombinedRow

    if "uncertainty_common" not in curves or "on_axis" not in curves["curve"].values:
        return
    if not (curves["uncertainty_common"].sel(curve="on_axis").values > 0).any():
        # Without what all directions share a level would look surer than it is, as its numbers say.
        return
    frequency = np.asarray(curves["frequency"].values, dtype=np.float64)
    low, high = (float(curves.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    rows = [
        np.asarray(curves[f"uncertainty_{part}"].sel(curve="on_axis").values, dtype=np.float64)
        for part in ("common", "independent")
    ]
    for hz in AT:
        if not max(low, frequency[0]) <= hz <= min(high, frequency[-1]):
            continue
        common, own = (float(resample(frequency, row, hz)[0]) for row in rows)
        if not np.isfinite([common, own]).all():
            continue
        both = float(np.hypot(common, own))
        yield CombinedRow(f"{format_hertz(hz)} Hz", *(f"{_size(one)} dB" for one in (common, own, both, factor * both)))
