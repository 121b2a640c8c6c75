"""The uncertainty budget: its components, as the campaign states them and as standard uncertainties."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from anechain.arrays import Floats
from anechain.data.numbers import rounded

__all__ = [
    "NOT_REPEATED",
    "NOT_STATED",
    "TITLES",
    "Component",
    "budget_from_json",
    "budget_to_json",
    "component_unit",
    "quantiles_of_all",
    "range_over_frequency",
    "unknown_components",
]


TITLES = {
    "calibration": "calibration",
    "microphone": "microphone's response",
    "gain_and_drive": "gain and drive",
    "distance": "distance",
    "angle": "setting of the angle",
    "repeatability": "repeatability",
    "impedance": "impedance, modulus",
    "impedance_phase": "impedance, phase",
    "impedance_repeatability": "impedance, repeatability",
}
"""Names in print of the components."""

NOT_STATED = "not stated"
NOT_REPEATED = "not stated, and no take was repeated"

_COMPONENTS_OF_LEVEL = ("calibration", "microphone", "gain_and_drive", "distance", "angle", "repeatability")
_UNITS = {"distance": "m", "angle": "°", "impedance": "%", "impedance_phase": "°", "impedance_repeatability": "%"}
_QUANTILES = (0.05, 0.5, 0.95)
"""Quantiles over directions and frequencies. The largest value is not among them: it occurs in a null of the level."""


@dataclass(frozen=True)
class Component:
    """One component of an uncertainty budget (JCGM 100:2008, 4.2, 4.3 and 7.2.7).

    Attributes
    ----------
    name : str
        Key in the section `uncertainty` of the campaign.
    unit : str
        Unit of `value`.
    value : float or list of [float, float] or None
        Stated value, or pairs of Hz and value; None if it was evaluated from repeated takes, or is not known.
    kind : str
        Stated kind: "standard", "expanded", "rectangular" or "triangular"; "takes" if evaluated from repeated takes;
        empty if the component is not known.
    coverage_factor : float or None
        Coverage factor k, if `kind` is "expanded".
    source : str
        Stated source.
    standard : tuple of float or None
        Standard uncertainty. For stated values the smallest, median and largest over frequency; for values that differ
        between directions the quantiles of 5, 50 and 95 % over directions and frequencies. None if the component is
        not included in the uncertainty.
    standard_unit : str
        Unit of `standard`: "dB", "%" or "°".
    of_one : float or None
        Median standard deviation of a single take, in `standard_unit`; None unless `kind` is "takes".
    takes : tuple of int
        Smallest and largest number of takes of a measured direction; empty if not known. A direction with one take has
        the standard deviation of a single take.
    directions : {"alike", "own", ""}
        "alike" if all directions have the same error, "own" if their errors are independent; empty for quantities
        without directions.
    frequencies : {"one", "response", "own"}
        "one" if the error is the same at all frequencies, "response" if it varies slowly with frequency as a
        microphone's response does, "own" if it varies as differences between takes do.
    reason : str
        Why the component is not included; empty if it is.
    """

    name: str
    unit: str = "dB"
    value: Any = None
    kind: str = ""
    coverage_factor: float | None = None
    source: str = ""
    standard: tuple[float, float, float] | None = None
    standard_unit: str = "dB"
    of_one: float | None = None
    takes: tuple[int, ...] = ()
    directions: Literal["alike", "own", ""] = ""
    frequencies: Literal["one", "response", "own"] = "one"
    reason: str = ""

    @property
    def text(self) -> str:
        """The component in one line; empty if it is not included in the uncertainty."""
        if self.standard is None:
            return ""
        lowest, median, highest = self.standard
        title, unit = TITLES[self.name], self.standard_unit
        correlation = {"alike": "; the same in all directions", "own": "; independent between directions", "": ""}[
            self.directions
        ]
        if self.kind == "takes":
            return (
                f"{title}: of the mean of {_takes_text(self.takes)}, {median:.2g} {unit} (median; {self.of_one:.2g} "
                f"{unit} for one take; 95 % of the values below {highest:.2g} {unit})"
                f"{correlation or '; varies with frequency'}"
            )
        source = f" ({self.source})" if self.source else ""
        if self.name == "angle":
            size = f"{median:.2g} dB (median over directions and frequencies; 95 % below {highest:.2g} dB)"
        else:
            constant = np.isclose(lowest, highest)
            size = f"{lowest:.2g} {unit}" if constant else f"{lowest:.2g} to {highest:.2g} {unit}"
        return f"{title}: standard uncertainty {size}, from {self.kind}{source}{correlation}"


def _takes_text(takes: Sequence[int]) -> str:
    if not takes:
        return "repeated takes"
    return f"{takes[0]} takes" if takes[0] == takes[-1] else f"{takes[0]} to {takes[-1]} takes"


def budget_to_json(components: Sequence[Component]) -> str:
    """Return components as JSON; values have six significant digits."""

    def plain(value: Any) -> Any:
        if isinstance(value, float):
            return rounded(value)
        return [plain(item) for item in value] if isinstance(value, list | tuple) else value

    members = [{name: plain(value) for name, value in asdict(component).items()} for component in components]
    return json.dumps(members, sort_keys=True, ensure_ascii=False)


def budget_from_json(text: str) -> tuple[Component, ...]:
    """Return the components that :func:`budget_to_json` wrote."""

    def restored(members: Mapping[str, Any]) -> Component:
        standard = members["standard"]
        return Component(
            **{
                **members,
                "standard": None if standard is None else tuple(standard),
                "takes": tuple(members["takes"]),
            }
        )

    return tuple(restored(members) for members in json.loads(text))


def component_unit(name: str) -> str:
    """Return the unit in which a component is stated."""
    return _UNITS.get(name, "dB")


def unknown_components() -> tuple[Component, ...]:
    """Return the components of a level's uncertainty, none of them stated or evaluated."""
    return tuple(
        Component(name, component_unit(name), reason=NOT_REPEATED if name == "repeatability" else NOT_STATED)
        for name in _COMPONENTS_OF_LEVEL
    )


def range_over_frequency(standard: Floats) -> tuple[float, float, float]:
    """Return the smallest, the median and the largest value."""
    return float(np.min(standard)), float(np.median(standard)), float(np.max(standard))


def quantiles_of_all(standard: Floats) -> tuple[float, float, float]:
    """Return the quantiles of 5, 50 and 95 % of all finite values; zeros if there are none."""
    finite = standard[np.isfinite(standard)]
    if not finite.size:
        return 0.0, 0.0, 0.0
    low, median, high = (float(value) for value in np.quantile(finite, _QUANTILES))
    return low, median, high
