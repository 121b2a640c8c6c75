"""Uncertainty of the numbers of the impedance, from stated components and from repeated takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.impedance.uncertainty import (
    FEW_DEGREES_OF_FREEDOM,
    ImpedanceUncertainty,
    effective_degrees_of_freedom,
    impedance_uncertainty,
)
from anechain.acoustics.uncertainty.correlated_errors import at_frequencies, error_weights
from anechain.acoustics.uncertainty.monte_carlo import MonteCarlo, monte_carlo
from anechain.arrays import Floats
from anechain.campaign.numbers import NumbersUncertainty
from anechain.campaign.stated_uncertainty import repeatability_octaves, standard_uncertainty
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.curve_uncertainty import ROUNDING, correlation_text
from anechain.figure_of_merit.impedance_budget import impedance_budget

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "ImpedanceErrors",
    "impedance_errors",
    "minimum_uncertainty",
    "monte_carlo_of_impedance",
    "monte_carlo_uncertainty",
    "phase_uncertainty",
    "uncertainty_dataset",
]

Values = Mapping[str, float | None]
ImpedanceFunction = Callable[[Floats, Floats | None], Values]

MIN_REPORTED_BIAS = 0.25
"""The bias of a minimum is reported from this share of the takes' standard uncertainty on; our own choice."""

CANCELS = "all stated errors are the same at all frequencies, which does not change this number"
_STATED = {"modulus": "impedance", "phase": "impedance_phase"}
_NAMES = {"modulus": "the impedance", "phase": "the impedance's phase"}
_COMMON_CAUSES = {"modulus": "reference resistor and gains", "phase": "phase errors common to all frequencies"}


@dataclass(frozen=True)
class ImpedanceErrors:
    """Uncertainty of the impedance of a device.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz.
    standard : ImpedanceUncertainty
        By frequency; zero where it is not known.
    reasons : mapping of str to str
        Why the uncertainty of the "modulus" or of the "phase" is not known; empty if it is.
    repeated : bool
        Whether takes were repeated.
    own_octaves : float
        Octaves over which the errors of takes are correlated.
    draws : int
        Number of draws of a Monte Carlo propagation.
    components : tuple of str
        Components of the uncertainty in print, one line each.
    """

    frequency: Floats
    standard: ImpedanceUncertainty
    reasons: Mapping[str, str]
    repeated: bool
    own_octaves: float
    draws: int
    components: tuple[str, ...]


def impedance_errors(impedance: xr.Dataset, stated: Mapping[str, Any], options: NumbersUncertainty) -> ImpedanceErrors:
    """Return the uncertainty of the impedance from what the campaign states and from repeated takes.

    Parameters
    ----------
    impedance : xarray.Dataset
        As the contract `impedance` describes it.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    options : NumbersUncertainty
        Options of the propagation.
    """
    frequency, magnitude = _values(impedance, "frequency"), _values(impedance, "magnitude")
    sizes = {
        part: standard_uncertainty(stated[name], frequency) if name in stated else np.zeros(frequency.size)
        for part, name in _STATED.items()
    }
    uncertainties = {
        "modulus": _values(impedance, "magnitude_std") if "magnitude_std" in impedance else None,
        "phase": _values(impedance, "phase_std") if "phase_std" in impedance else None,
    }
    takes = _values(impedance, "takes") if "takes" in impedance else None
    reasons = {}
    for part, name in _STATED.items():
        takes_only = f"without {_COMMON_CAUSES[part]} the uncertainty would be too small"
        unknown = f"no uncertainty of {_NAMES[part]} is stated in the campaign"
        reasons[part] = "" if name in stated else unknown if uncertainties[part] is None else f"{unknown}; {takes_only}"
    return ImpedanceErrors(
        frequency,
        impedance_uncertainty(
            magnitude, sizes["modulus"] / 100, sizes["phase"], uncertainties["modulus"], uncertainties["phase"], takes
        ),
        reasons,
        uncertainties["modulus"] is not None,
        repeatability_octaves(stated),
        options.draws,
        tuple(component.text for component in impedance_budget(impedance, stated) if not component.reason),
    )


def _values(dataset: xr.Dataset, name: str) -> Floats:
    return np.asarray(dataset[name].values, dtype=np.float64)


def monte_carlo_of_impedance(
    errors: ImpedanceErrors, magnitude: Floats, phase: Floats | None, function: ImpedanceFunction
) -> dict[str, MonteCarlo]:
    """Return the Monte Carlo results of all numbers that a function reads from an impedance (JCGM 101).

    One error of the modulus and one of the phase are drawn for all frequencies. Errors of takes are independent after
    `own_octaves`.

    Parameters
    ----------
    errors : TerminalErrors
    magnitude, phase : numpy.ndarray, shape (n,)
        Ohm and degrees; no phase if it was not measured.
    function : callable
        Takes modulus and phase and returns numbers by name, None for a number that cannot be determined; always the
        same names.

    Returns
    -------
    dict of str to MonteCarlo
        By the names that the function returns. In a draw with a modulus that is not above zero none is determined.
    """
    known, weights = errors.standard, error_weights(errors.frequency, errors.own_octaves)
    names = list(function(magnitude, phase))
    parts = [
        np.nan_to_num(part)
        for part in (known.magnitude_common, known.magnitude_own, known.phase_common, known.phase_own)
    ]
    cache: dict[bytes, Values] = {}

    def values(normal: Floats) -> Values:
        key = normal.tobytes()
        if key not in cache:
            own = at_frequencies(normal[1:, : weights.shape[1]], weights)
            modulus = magnitude + parts[0] * normal[0, 0] + parts[1] * own[0]
            angle = None if phase is None else phase + parts[2] * normal[0, 1] + parts[3] * own[1]
            undetermined = bool((modulus <= 0).any())
            cache[key] = dict.fromkeys(names) if undetermined else function(modulus, angle)
        return cache[key]

    zero = np.zeros((3, max(weights.shape[1], 2)))
    # The seed is fixed, so all numbers use the same draws; each draw is evaluated only once.
    return {
        name: monte_carlo(
            lambda normal, of=name: values(normal)[of],  # type: ignore[misc]
            zero,
            0.0,
            1.0,
            "independent",
            errors.draws,
        )
        for name in names
    }


def monte_carlo_uncertainty(errors: ImpedanceErrors, result: MonteCarlo, *parts: str) -> Uncertainty:
    """Return the uncertainty of a number by Monte Carlo, or why it has none.

    Parameters
    ----------
    errors : TerminalErrors
    result : MonteCarlo
        From :func:`monte_carlo_of_impedance`.
    parts : str
        "modulus", "phase" or both: whose uncertainty must be known. None for a frequency, which one error at all
        frequencies does not change: the repeatability of takes is its whole uncertainty.
    """
    if reason := next((errors.reasons[part] for part in parts if errors.reasons[part]), ""):
        return Uncertainty(None, reason=reason)
    if result.value is None or result.standard is None:
        return Uncertainty(None, reason=result.reason)
    if result.standard <= ROUNDING * max(1.0, abs(result.value)):
        unknown = errors.reasons["modulus"] and not errors.repeated
        return Uncertainty(None, reason=errors.reasons["modulus"] if unknown else f"{CANCELS}{_takes_note(errors)}")
    propagation = "; ".join(
        filter(
            None,
            (
                f"Monte Carlo, {errors.draws} draws (JCGM 101)",
                "" if all(errors.reasons.values()) else "stated components: one error at all frequencies",
                f"repeatability of takes: {correlation_text(errors.own_octaves)}" if errors.repeated else "",
            ),
        )
    )
    return Uncertainty(result.standard, propagation, note=result.reason, interval=result.interval)


def _takes_note(errors: ImpedanceErrors) -> str:
    return "" if errors.repeated else "; no take was repeated"


def minimum_uncertainty(
    errors: ImpedanceErrors,
    magnitude: Floats,
    minimum: tuple[float | None, float | None],
    search: Callable[[Floats], float | None],
    coverage: float,
) -> Uncertainty:
    """Return the uncertainty of the minimum to first order (GUM): common errors, and repeatability at its frequency.

    Parameters
    ----------
    errors : TerminalErrors
    magnitude : numpy.ndarray, shape (n,)
        Ohm.
    minimum : (float or None, float or None)
        The minimum, ohm, and its frequency, Hz.
    search : callable
        Takes a modulus and returns its minimum; for the bias of the minimum by the errors of takes.
    coverage : float
        Factor of the expanded uncertainty.
    """
    ohm, hz = minimum
    if reason := errors.reasons["modulus"]:
        return Uncertainty(None, reason=reason)
    if ohm is None or hz is None:
        return Uncertainty(None, reason="the number is not determined")
    known = np.isfinite(magnitude)
    at, grid = np.log(hz), np.log(errors.frequency[known])
    relative = (
        row[known] / magnitude[known] for row in (errors.standard.magnitude_common, errors.standard.magnitude_own)
    )
    common, own = (ohm * float(np.interp(at, grid, np.nan_to_num(share))) for share in relative)
    propagation, notes = "first order (GUM): one relative error at all frequencies", []
    if own > 0:
        propagation += ", and repeatability of takes at that frequency"
        freedom = effective_degrees_of_freedom(common, own, errors.standard.degrees_of_freedom)
        if freedom <= FEW_DEGREES_OF_FREEDOM:
            notes.append(f"with {freedom:.1f} degrees of freedom k = {coverage:g} covers less than 95 % (GUM, G.6)")
        zero = np.zeros(errors.frequency.size)
        takes_only = replace(errors, standard=replace(errors.standard, magnitude_common=zero))
        mean = monte_carlo_of_impedance(takes_only, magnitude, None, lambda modulus, _: {"minimum": search(modulus)})[
            "minimum"
        ].mean
        if mean is not None and ohm - mean > MIN_REPORTED_BIAS * own:
            notes.append(f"the errors of takes lower a minimum by {ohm - mean:.2g} Ω on average (Monte Carlo)")
    return Uncertainty(float(np.hypot(common, own)), propagation, note="; ".join(notes))


def phase_uncertainty(errors: ImpedanceErrors, hz: float | None) -> Uncertainty:
    """Return the uncertainty of the phase at a frequency to first order (GUM): common errors, and repeatability there.

    Parameters
    ----------
    errors : TerminalErrors
    hz : float or None
        Frequency of the phase; None if there is none.
    """
    if reason := errors.reasons["phase"]:
        return Uncertainty(None, reason=reason)
    if hz is None:
        return Uncertainty(None, reason="the number is not determined")
    grid = np.log(errors.frequency)
    common, own = (
        float(np.interp(np.log(hz), grid, np.nan_to_num(row)))
        for row in (errors.standard.phase_common, errors.standard.phase_own)
    )
    propagation = "first order (GUM): one error at all frequencies"
    return Uncertainty(
        float(np.hypot(common, own)), propagation + (", and repeatability of takes there" if own > 0 else "")
    )


def uncertainty_dataset(impedance: xr.Dataset, errors: ImpedanceErrors, coverage: float) -> xr.Dataset | None:
    """Return the dataset `impedance_uncertainty` by frequency; None if no uncertainty is known.

    Parameters
    ----------
    impedance : xarray.Dataset
        As the contract `impedance` describes it.
    errors : TerminalErrors
    coverage : float
        Factor of the expanded uncertainty that is shown.
    """
    import xarray as xr

    from anechain.data import contract

    known, of_phase = errors.standard, not errors.reasons["phase"] and "phase" in impedance
    if errors.reasons["modulus"] and not of_phase:
        return None
    rows = {"magnitude_common": known.magnitude_common, "magnitude_own": known.magnitude_own}
    if errors.reasons["modulus"]:
        # An unknown uncertainty is missing, not zero.
        rows = dict.fromkeys(rows, np.full(errors.frequency.size, np.nan))
    if of_phase:
        rows |= {"phase_common": known.phase_common, "phase_own": known.phase_own}
    dataset = xr.Dataset(
        {name: ("frequency", row) for name, row in rows.items()},
        {"frequency": errors.frequency},
        {
            **{name: impedance.attrs[name] for name in ("device", "title")},
            "coverage_factor": float(coverage),
            "uncertainty": "\n".join(errors.components),
        },
    )
    return contract.describe(dataset, "impedance_uncertainty")
