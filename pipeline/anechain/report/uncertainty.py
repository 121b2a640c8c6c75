"""The uncertainty budget of a device as printed on the page: its components, and their combination on the axis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.campaign.numbers import NumbersUncertainty
from anechain.campaign.stated_uncertainty import repeatability_octaves
from anechain.data.uncertainty_budget import TITLES, Component, budget_from_json
from anechain.figure_of_merit.impedance_budget import impedance_budget
from anechain.report.table_rows import BudgetRow, CombinedUncertaintyRow, UncertaintyBudget

if TYPE_CHECKING:
    import xarray as xr


__all__ = ["uncertainty_budget"]

PRINTED_HZ = (100.0, 1000.0, 10000.0)
"""Frequencies at which the combined standard uncertainty is printed, Hz."""

_MAX_PAIRS = 4
"""A longer list of frequencies and values is printed as its first and last pair."""
_KINDS = {
    "standard": "standard uncertainty",
    "rectangular": "half-width of a rectangular distribution",
    "triangular": "half-width of a triangular distribution",
}
_DIRECTIONS = {"alike": "the same in all directions", "own": "independent in each direction"}


def uncertainty_budget(
    curves: xr.Dataset, impedance: xr.Dataset | None, stated: Mapping[str, Any], options: NumbersUncertainty
) -> UncertaintyBudget:
    """Return the components of the uncertainty as printed, and the combined uncertainty of the level on the axis.

    Parameters
    ----------
    curves : xarray.Dataset
        Contract `curves`, with the attribute `uncertainty_budget`.
    impedance : xarray.Dataset or None
        Contract `impedance`; None if it was not measured.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    options : NumbersUncertainty
        Correlation of the components over frequency, and the coverage factor.
    """
    components = budget_from_json(str(curves.attrs["uncertainty_budget"]))
    missing = []
    if impedance is None:
        missing = [("impedance", "not measured")]
    else:
        components += impedance_budget(impedance, stated)
    combined = tuple(_combined(curves, options.coverage_factor))
    known = [component for component in components if component.standard is not None]
    unknown = [component for component in components if component.standard is None]
    return UncertaintyBudget(
        rows=tuple(_row(component, options.response_octaves, repeatability_octaves(stated)) for component in known),
        missing=(*((TITLES[component.name], _reason(component)) for component in unknown), *missing),
        combined=combined,
        coverage_factor=f"{options.coverage_factor:g}",
    )


def _reason(component: Component) -> str:
    """Return why a component has no standard uncertainty."""
    return component.reason if component.value is None else f"stated as {_stated(component)}, but {component.reason}"


def _row(component: Component, response_octaves: float, own_octaves: float) -> BudgetRow:
    octaves = {"one": np.inf, "response": response_octaves, "own": own_octaves}[component.frequencies]
    over_frequencies = "the same at all frequencies" if np.isinf(octaves) else f"independent after {_octaves(octaves)}"
    over_directions = _DIRECTIONS.get(component.directions, "")
    evaluation = "Type B"
    if component.kind == "takes":
        fewest, most = (component.takes[0], component.takes[-1]) if component.takes else (0, 0)
        degrees = f"{fewest - 1}" if fewest == most else f"up to {most - 1}"
        evaluation = "Type A" + (f", {degrees} degrees of freedom each" if most > 1 else "")
    return BudgetRow(
        TITLES[component.name],
        _stated(component),
        evaluation,
        _standard(component),
        "; ".join(filter(None, (over_directions, over_frequencies))),
        component.source or ("the takes" if component.kind == "takes" else ""),
    )


def _octaves(octaves: float) -> str:
    return f"{octaves:g} octave{'s' if octaves > 1 else ''}"


def _stated(component: Component) -> str:
    """Return the value that the campaign states, or the spread of the repeated takes."""
    takes = component.takes
    if component.kind == "takes":
        count = f"{takes[0]} to {takes[-1]}" if len(set(takes)) > 1 else "".join(map(str, takes[:1]))
        return (
            f"{count} takes: ".lstrip().capitalize()
            + f"standard deviation of a single take {component.of_one:.2g} {component.standard_unit} (median)"
        )
    expanded = component.kind == "expanded"
    kind = f"expanded, k = {component.coverage_factor:g}" if expanded else _KINDS[component.kind]
    return f"{_value(component.value, component.unit)}, {kind}"


def _value(value: Any, unit: str) -> str:
    """Return a stated value, or its pairs of frequency and value, with the unit."""
    space = "" if unit == "°" else " "
    if not isinstance(value, list):
        return f"{value:g}{space}{unit}"
    printed = value if len(value) <= _MAX_PAIRS else [value[0], value[-1]]
    texts = [f"{size:g}{space}{unit} at {format_hertz(hz)} Hz" for hz, size in printed]
    return ", ".join(texts) if printed is value else f"{texts[0]} to {texts[1]} ({len(value)} pairs)"


def _standard(component: Component) -> str:
    """Return the standard uncertainty, or its range or quantiles, with the unit."""
    assert component.standard is not None
    low, median, high = component.standard
    unit = f"{'' if component.standard_unit == '°' else ' '}{component.standard_unit}"
    if component.kind == "takes" or component.name == "angle":
        over = "frequencies" if component.name.startswith("impedance") else "directions and frequencies"
        mean = "of the mean: " if component.kind == "takes" else ""
        return f"{mean}{_size(median)}{unit} (median over {over}; 95 % {_under(high)}{unit})"
    return f"{_size(low)}{unit}" if np.isclose(low, high) else f"{_size(low)} to {_size(high)}{unit}"


def _size(standard: float) -> str:
    """Return a standard uncertainty with two significant digits (JCGM 100:2008, 7.2.6), at most three decimals."""
    if standard < 0.0005:
        return "under 0.001" if standard else "0"
    decimals = int(np.clip(1 - np.floor(np.log10(standard)), 0, 3))
    return f"{standard:.{decimals}f}"


def _under(standard: float) -> str:
    size = _size(standard)
    return size if size.startswith("under") else f"under {size}"


def _combined(curves: xr.Dataset, factor: float) -> Iterator[CombinedUncertaintyRow]:
    """Yield the uncertainty of the level on the axis at a few frequencies of the valid band.

    Nothing if no component common to all directions is known, or there is no level on the axis.
    """
    if "uncertainty_common" not in curves or "on_axis" not in curves["curve"].values:
        return
    if not (curves["uncertainty_common"].sel(curve="on_axis").values > 0).any():
        # Without the common components the uncertainty of a level would be too small.
        return
    frequency = np.asarray(curves["frequency"].values, dtype=np.float64)
    low, high = (float(curves.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    rows = [
        np.asarray(curves[f"uncertainty_{part}"].sel(curve="on_axis").values, dtype=np.float64)
        for part in ("common", "independent")
    ]
    for hz in PRINTED_HZ:
        if not max(low, frequency[0]) <= hz <= min(high, frequency[-1]):
            continue
        common, independent = (float(resample(frequency, row, hz)[0]) for row in rows)
        if not np.isfinite([common, independent]).all():
            continue
        combined = float(np.hypot(common, independent))
        sizes = (common, independent, combined, factor * combined)
        yield CombinedUncertaintyRow(f"{format_hertz(hz)} Hz", *(f"{_size(size)} dB" for size in sizes))
