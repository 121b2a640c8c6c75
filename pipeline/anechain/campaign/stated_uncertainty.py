"""Stated uncertainties of a campaign as standard uncertainties."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from anechain.acoustics.uncertainty.components import Distribution, standard_of_limits
from anechain.arrays import Floats
from anechain.campaign.uncertainty import Repeatability
from anechain.data.uncertainty_budget import component_unit

__all__ = ["repeatability_octaves", "standard_uncertainty", "statement"]

DEFAULT_OCTAVES = float(Repeatability.model_fields["octaves"].default)


def standard_uncertainty(stated: Mapping[str, Any], frequency: Floats) -> Floats:
    """Return the standard uncertainty at each frequency.

    Parameters
    ----------
    stated : mapping
        One component of the campaign's section `uncertainty`, as plain values.
    frequency : numpy.ndarray, shape (n,)
        Hz.

    Returns
    -------
    numpy.ndarray, shape (n,)
        In the unit of the statement; interpolated over log frequency between stated pairs, constant outside.
    """
    value = stated["value"]
    if isinstance(value, list | tuple):
        stated_frequency, stated_value = np.asarray(value, dtype=np.float64).T
        width = np.interp(np.log(frequency), np.log(stated_frequency), stated_value)
    else:
        width = np.full(frequency.size, float(value))
    if stated["kind"] == "standard":
        return np.asarray(width)
    distribution: Distribution = "normal" if stated["kind"] == "expanded" else stated["kind"]
    return np.asarray(width * standard_of_limits(1.0, distribution, stated["coverage_factor"]))


def repeatability_octaves(uncertainty: Mapping[str, Any]) -> float:
    """Return the octaves after which the errors of a capture are independent; infinite for a broadband error.

    Parameters
    ----------
    uncertainty : mapping
        The campaign's section `uncertainty` as plain values.
    """
    octaves = uncertainty.get("repeatability", {}).get("octaves", DEFAULT_OCTAVES)
    return np.inf if octaves == "broadband" else float(octaves)


def statement(name: str, uncertainty: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the campaign states about a component, as arguments of a budget's `Component`.

    Parameters
    ----------
    name : str
        Key in `uncertainty`.
    uncertainty : mapping
        The campaign's section `uncertainty` as plain values.
    """
    stated = uncertainty[name]
    value = stated["value"]
    return {
        "name": name,
        "unit": component_unit(name),
        "value": [[float(hz), float(size)] for hz, size in value] if isinstance(value, list | tuple) else float(value),
        "kind": stated["kind"],
        "coverage_factor": float(stated["coverage_factor"]) if stated["kind"] == "expanded" else None,
        "source": stated.get("source") or "",
    }
