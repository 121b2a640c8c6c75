"""The uncertainty budget of an impedance, from stated components and from repeated takes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.campaign.stated_uncertainty import standard_uncertainty, statement
from anechain.data.uncertainty_budget import (
    NOT_STATED,
    Component,
    component_unit,
    quantiles_of_all,
    range_over_frequency,
)

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["impedance_budget"]


def impedance_budget(impedance: xr.Dataset, uncertainty: Mapping[str, Any]) -> tuple[Component, ...]:
    """Return the components of the uncertainty of an impedance, also those that are not known.

    Parameters
    ----------
    impedance : xarray.Dataset
        Dataset of the contract `impedance`.
    uncertainty : mapping
        The campaign's section `uncertainty` as plain values.
    """
    return (*_stated_components(impedance, uncertainty), _repeatability(impedance))


def _stated_components(impedance: xr.Dataset, uncertainty: Mapping[str, Any]) -> Iterator[Component]:
    frequency = np.asarray(impedance["frequency"].values)
    for name, variable in (("impedance", "magnitude"), ("impedance_phase", "phase")):
        unit = component_unit(name)
        if variable not in impedance:
            yield Component(name, unit, standard_unit=unit, reason="the phase was not measured")
        elif name not in uncertainty:
            yield Component(name, unit, standard_unit=unit, reason=NOT_STATED)
        else:
            standard = range_over_frequency(standard_uncertainty(uncertainty[name], frequency))
            yield Component(**statement(name, uncertainty), standard=standard, standard_unit=unit)


def _repeatability(impedance: xr.Dataset) -> Component:
    if "magnitude_std" not in impedance:
        return Component("impedance_repeatability", "%", standard_unit="%", reason="no take was repeated")
    spread = 100 * np.asarray(impedance["magnitude_std"].values) / np.asarray(impedance["magnitude"].values)
    count = np.asarray(impedance["takes"].values) if "takes" in impedance else np.ones(impedance["frequency"].size)
    measured_counts = count[count > 0]
    return Component(
        "impedance_repeatability",
        "%",
        kind="takes",
        standard=quantiles_of_all(spread / np.sqrt(np.maximum(count, 1))),
        standard_unit="%",
        of_one=quantiles_of_all(spread)[1],
        takes=(int(measured_counts.min()), int(measured_counts.max())) if measured_counts.size else (),
        frequencies="own",
    )
