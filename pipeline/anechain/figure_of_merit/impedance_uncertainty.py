"""What is stated of an impedance's uncertainty, and the spread of its takes, carried to what is read off it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.impedance.impedance_uncertainty import (
    FEW_DEGREES,
    ImpedanceUncertainty,
    effective_degrees_of_freedom,
    impedance_uncertainty,
)
from anechain.acoustics.uncertainty.drawn_errors import error_knots, interpolation_weights
from anechain.acoustics.uncertainty.uncertainty import MonteCarlo, monte_carlo
from anechain.arrays import Floats
from anechain.campaign.choices import NumbersUncertainty
from anechain.campaign.stated_uncertainty import impedance_budget, standard_at
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.curve_uncertainty import ROUNDING

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
Reading = Callable[[Floats, Floats | None], Values]

NOTICEABLE = 0.25
"""Share of the takes' standard uncertainty from which on the lowering of a least value is said (our own)."""

CANCELS = "what is stated is one error at all frequencies, which does not move it"
_STATED = {"modulus": "impedance", "phase": "impedance_phase"}
_NAMES = {"modulus": "the impedance", "phase": "the impedance's phase"}
_BEHIND = {"modulus": "reference resistor and gains", "phase": "what shifts all phases alike"}


@dataclass(frozen=True)
class ImpedanceErrors:
    """What is known of the uncertainty of a device's impedance.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz.
    standard : ImpedanceUncertainty
        By frequency; zero where nothing is known.
    reasons : mapping of str to str
        Why the uncertainty of the "modulus" or of the "phase" is not known; empty if it is.
    repeated : bool
        Whether takes were repeated.
    own_octaves : float
        The own part is drawn anew from one stretch of so many octaves to the next.
    draws : int
        Of a Monte Carlo propagation.
    said : tuple of str
        What it is made of, one line each.
    """

    frequency: Floats
    standard: ImpedanceUncertainty
    reasons: Mapping[str, str]
    repeated: bool
    own_octaves: float
    draws: int
    said: tuple[str, ...]


def impedance_errors(impedance: xr.Dataset, stated: Mapping[str, Any], options: NumbersUncertainty) -> ImpedanceErrors:
    """Standard uncertainty of the impedance by what the campaign states and by repeated takes.

    Parameters
    ----------
    impedance : xarray.Dataset
        After the contract `impedance`.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    options : NumbersUncertainty
        How it is carried.
    """
    frequency, magnitude = _values(impedance, "frequency"), _values(impedance, "magnitude")
    sizes = {
        part: standard_at(stated[name], frequency) if name in stated else np.zeros(frequency.size)
        for part, name in _STATED.items()
    }
    uncertainties = {
        "modulus": _values(impedance, "magnitude_std") if "magnitude_std" in impedance else None,
        "phase": _values(impedance, "phase_std") if "phase_std" in impedance else None,
    }
    takes = _values(impedance, "takes") if "takes" in impedance else None
    reasons = {}
    for part, name in _STATED.items():
        alone = f"only the spread of its takes is known; without {_BEHIND[part]} it would look surer than it is"
        unknown = f"no uncertainty of {_NAMES[part]} is stated in the campaign"
        reasons[part] = "" if name in stated else unknown if uncertainties[part] is None else f"{unknown}: {alone}"
    return ImpedanceErrors(
        frequency,
        impedance_uncertainty(
            magnitude, sizes["modulus"] / 100, sizes["phase"], uncertainties["modulus"], uncertainties["phase"], takes
        ),
        reasons,
        uncertainties["modulus"] is not None,
        options.repeatability_octaves,
        options.draws,
        tuple(one.words for one in impedance_budget(impedance, stated) if not one.reason),
    )


def _values(dataset: xr.Dataset, name: str) -> Floats:
    return np.asarray(dataset[name].values, dtype=np.float64)


def monte_carlo_of_impedance(
    errors: ImpedanceErrors, magnitude: Floats, phase: Floats | None, function: Reading
) -> dict[str, MonteCarlo]:
    """Everything that a function reads off an impedance, by Monte Carlo (JCGM 101).

    One error of the modulus and one of the phase are drawn for all frequencies, those of the takes for each stretch of
    octaves; they are read linearly in between, their size kept.

    Parameters
    ----------
    errors : TerminalErrors
    magnitude, phase : numpy.ndarray, shape (n,)
        Ohm and degrees; no phase if it was not measured.
    function : callable
        Takes modulus and phase and gives numbers by name, None where one is not determined; always the same names.

    Returns
    -------
    dict of str to MonteCarlo
        By the names that the function gives. A draw in which a modulus is not above zero loses them all.
    """
    known, octaves = errors.standard, np.log2(errors.frequency)
    places = error_knots(errors.frequency, errors.own_octaves)
    below, first, second = interpolation_weights(octaves, places)
    names = list(function(magnitude, phase))
    parts = [
        np.nan_to_num(one) for one in (known.magnitude_common, known.magnitude_own, known.phase_common, known.phase_own)
    ]
    done: dict[bytes, Values] = {}

    def values(normal: Floats) -> Values:
        key = normal.tobytes()
        if key not in done:
            own = [first * normal[row, below] + second * normal[row, below + 1] for row in (1, 2)]
            modulus = magnitude + parts[0] * normal[0, 0] + parts[1] * own[0]
            angle = None if phase is None else phase + parts[2] * normal[0, 1] + parts[3] * own[1]
            lost = bool((modulus <= 0).any())
            done[key] = dict.fromkeys(names) if lost else function(modulus, angle)
        return done[key]

    nothing = np.zeros((3, places.size))
    # The seed is fixed, so that every quantity sees the same draws, each of which is worked out once.
    return {
        name: monte_carlo(
            lambda normal, of=name: values(normal)[of],  # type: ignore[misc]
            nothing,
            0.0,
            1.0,
            "independent",
            errors.draws,
        )
        for name in names
    }


def monte_carlo_uncertainty(errors: ImpedanceErrors, found: MonteCarlo, *parts: str) -> Uncertainty:
    """Uncertainty of a number by Monte Carlo, or why it has none.

    Parameters
    ----------
    errors : TerminalErrors
    found : MonteCarlo
        Of :func:`monte_carlo_of_impedance`.
    parts : str
        Parts, of "modulus" and "phase", whose uncertainty must be known for it. None for a frequency that one error at
        all frequencies does not move: its takes' spread is all of its uncertainty.
    """
    if reason := next((errors.reasons[part] for part in parts if errors.reasons[part]), ""):
        return Uncertainty(None, reason=reason)
    if found.value is None or found.standard is None:
        return Uncertainty(None, reason=found.reason)
    if found.standard <= ROUNDING * max(1.0, abs(found.value)):
        unknown = errors.reasons["modulus"] and not errors.repeated
        return Uncertainty(None, reason=errors.reasons["modulus"] if unknown else f"{CANCELS}{_takes_of(errors)}")
    propagation = "; ".join(
        filter(
            None,
            (
                f"Monte Carlo, {errors.draws} draws (JCGM 101)",
                "" if all(errors.reasons.values()) else "what is stated is one error at all frequencies",
                f"the spread of takes is drawn anew every {errors.own_octaves:g} octaves" if errors.repeated else "",
            ),
        )
    )
    return Uncertainty(found.standard, propagation, note=found.reason, interval=found.interval)


def _takes_of(errors: ImpedanceErrors) -> str:
    return "" if errors.repeated else "; no take was repeated"


def minimum_uncertainty(
    errors: ImpedanceErrors,
    magnitude: Floats,
    least: tuple[float | None, float | None],
    search: Callable[[Floats], float | None],
    coverage: float,
) -> Uncertainty:
    """Uncertainty of the least modulus to first order (GUM): what is common, and the spread of takes at its frequency.

    Parameters
    ----------
    errors : TerminalErrors
    magnitude : numpy.ndarray, shape (n,)
        Ohm.
    least : (float or None, float or None)
        The least modulus, and its frequency.
    search : callable
        Takes a modulus and gives its least value: with it is found by how much the spread of takes lowers it.
    coverage : float
        Factor of the expanded uncertainty.
    """
    ohm, hz = least
    if reason := errors.reasons["modulus"]:
        return Uncertainty(None, reason=reason)
    if ohm is None or hz is None:
        return Uncertainty(None, reason="the number is not determined")
    held = np.isfinite(magnitude)
    place, grid = np.log(hz), np.log(errors.frequency[held])
    shares = (row[held] / magnitude[held] for row in (errors.standard.magnitude_common, errors.standard.magnitude_own))
    common, own = (ohm * float(np.interp(place, grid, np.nan_to_num(share))) for share in shares)
    propagation, notes = "first order (GUM): one relative error at all frequencies", []
    if own > 0:
        propagation += ", and the spread of takes at that frequency"
        freedom = effective_degrees_of_freedom(common, own, errors.standard.degrees_of_freedom)
        if freedom <= FEW_DEGREES:
            notes.append(f"with {freedom:.1f} degrees of freedom k = {coverage:g} covers less than 95 % (GUM, G.6)")
        none = np.zeros(errors.frequency.size)
        alone = replace(errors, standard=replace(errors.standard, magnitude_common=none))
        mean = monte_carlo_of_impedance(alone, magnitude, None, lambda modulus, _: {"least": search(modulus)})[
            "least"
        ].mean
        if mean is not None and ohm - mean > NOTICEABLE * own:
            notes.append(f"the spread of takes lowers a least value: by {ohm - mean:.2g} Ω on average (Monte Carlo)")
    return Uncertainty(float(np.hypot(common, own)), propagation, note="; ".join(notes))


def phase_uncertainty(errors: ImpedanceErrors, hz: float | None) -> Uncertainty:
    """Uncertainty of the phase at a frequency to first order (GUM): what is common, and the spread of takes there.

    Parameters
    ----------
    errors : TerminalErrors
    hz : float or None
        Of the phase that is told; None if there is none.
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
        float(np.hypot(common, own)), propagation + (", and the spread of takes there" if own > 0 else "")
    )


def uncertainty_dataset(impedance: xr.Dataset, errors: ImpedanceErrors, coverage: float) -> xr.Dataset | None:
    """The dataset `impedance_uncertainty`: what is known by frequency; None if nothing is.

    Parameters
    ----------
    impedance : xarray.Dataset
        After the contract `impedance`.
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
        # What is not known is missing, and not zero.
        rows = dict.fromkeys(rows, np.full(errors.frequency.size, np.nan))
    if of_phase:
        rows |= {"phase_common": known.phase_common, "phase_own": known.phase_own}
    dataset = xr.Dataset(
        {name: ("frequency", row) for name, row in rows.items()},
        {"frequency": errors.frequency},
        {
            **{name: impedance.attrs[name] for name in ("device", "title")},
            "coverage_factor": float(coverage),
            "uncertainty": "\n".join(errors.said),
        },
    )
    return contract.describe(dataset, "impedance_uncertainty")
