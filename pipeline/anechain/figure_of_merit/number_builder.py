"""Build a number with its method, its source and its expanded uncertainty."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from anechain.acoustics.curve.frequencies import resample
from anechain.data.numbers import Bound, Mark, Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import NOT_STATED
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.methods import methods, versions

__all__ = ["curve_mark", "make_number"]

MAX_ASYMMETRY = 0.2
"""The 95 % interval replaces the expanded uncertainty if both sides differ from their mean by more than this share.
An estimate that is off by 0.2 times twice its standard uncertainty is still covered in 93 % of all measurements."""

_MINUS = re.compile(r"(?<![^\s(])-(?=\d)")


def make_number(
    inputs: MetricInputs,
    method: str,
    id: str,
    heading: str,
    title: str,
    value: float | str | None,
    unit: str = "",
    *,
    bound: Bound = "",
    uncertainty: Uncertainty | None = None,
    note: str = "",
    reason: str = "",
    marks: Sequence[Mark] = (),
) -> Number:
    """Build a number with the version and source of its method, and its expanded uncertainty.

    Parameters
    ----------
    inputs : MetricInputs
        For the coverage factor.
    method : str
        Id of the method that computed the value.
    id, heading, title, value, unit, bound, note, reason, marks
        As in :class:`anechain.data.numbers.Number`. Without a value, `bound`, `note` and `marks` are ignored. With a
        value, `reason` is a doubt about that value and is added to the note.
    uncertainty : Uncertainty, optional
        Standard uncertainty of the value; if absent, the number reports that no uncertainty is stated.
    """
    version = versions([method])[method]
    registered = methods()[method][version]
    known = uncertainty or Uncertainty(None, reason=NOT_STATED)
    factor = inputs.options.uncertainty.coverage_factor
    has_uncertainty = value is not None and known.standard is not None
    interval = _asymmetric_interval(value, known)
    symmetric = has_uncertainty and interval is None
    notes = [note]
    if value is not None:
        notes += [reason, known.note]
    return Number(
        id=id,
        heading=heading,
        title=_typeset(title),
        value=value,
        unit=unit,
        bound=bound if value is not None else "",
        uncertainty=factor * known.standard if symmetric and known.standard is not None else None,
        coverage_factor=factor if symmetric else None,
        interval=interval,
        propagation=known.propagation if has_uncertainty else "",
        uncertainty_reason=known.reason if value is not None and not has_uncertainty else "",
        method=method,
        version=version,
        source=registered.source,
        source_status=registered.source_status,
        note=_typeset("; ".join(filter(None, notes))),
        reason="" if value is not None else _typeset(reason) or "could not be determined",
        marks=tuple(marks) if value is not None else (),
    )


def _asymmetric_interval(value: float | str | None, uncertainty: Uncertainty) -> tuple[float, float] | None:
    """Return the 95 % interval of a number if it is clearly not symmetric about the value; None otherwise."""
    if value is None or isinstance(value, str) or uncertainty.standard is None or uncertainty.interval is None:
        return None
    low, high = uncertainty.interval
    sides = np.array([value - low, high - value])
    if low == 0.0:
        # The true value may be zero, which value ± uncertainty would exclude if the upper side is the shorter one.
        return low, high
    return None if (np.abs(sides - sides.mean()) <= MAX_ASYMMETRY * sides.mean()).all() else (low, high)


def _typeset(text: str) -> str:
    """Return a text with a minus sign instead of a hyphen before negative numbers."""
    return _MINUS.sub("\N{MINUS SIGN}", text)


def curve_mark(inputs: MetricInputs, curve: str, hz: float | None) -> tuple[Mark, ...]:
    """Return the point of a curve or index at a frequency as a mark; no mark if `hz` is None."""
    if hz is None:
        return ()
    values: Any = inputs.curves.get(curve, inputs.indices.get(curve))
    level = float(resample(inputs.frequency, values, hz)[0]) if values is not None else np.nan
    return (Mark(curve, hz, hz, level if np.isfinite(level) else None),)
