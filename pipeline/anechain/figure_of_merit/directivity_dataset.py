"""The dataset `directivity`: beam width by plane, side and frequency, and the whole sphere by frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.directivity.beam_width import COMES_BACK, FOUND, NO_DATA, NOT_REACHED
from anechain.figure_of_merit.beam_width import BeamWidths
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.sphere import WholeSphere

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["directivity_dataset"]

SIDES = ("positive", "negative")
STATES = (FOUND, NOT_REACHED, COMES_BACK, NO_DATA)
"""In the order of their codes in the variable `state`."""


def directivity_dataset(inputs: MetricInputs, beams: BeamWidths, sphere: WholeSphere | None) -> xr.Dataset | None:
    """Return the dataset `directivity`; None if no plane has a beam width."""
    import xarray as xr

    from anechain.data import contract

    if not beams.by_plane:
        return None
    planes = list(beams.by_plane)
    first, outermost, state = (np.full((len(planes), 2, inputs.frequency.size), np.nan) for _ in range(3))
    for row, beam in enumerate(beams.by_plane.values()):
        first[row] = beam.first_positive_deg, beam.first_negative_deg
        outermost[row] = beam.outermost_positive_deg, beam.outermost_negative_deg
        for column, states in enumerate((beam.state_positive, beam.state_negative)):
            state[row, column] = [STATES.index(str(name)) for name in states]
    dims = ("plane", "side", "frequency")
    variables: dict[str, Any] = {
        "first": (dims, first),
        "outermost": (dims, outermost),
        "state": (dims, state.astype(np.int8)),
    }
    if any(np.isfinite(angles).any() for angles in beams.angle_interval.values()):
        for end, name in enumerate(("first_low", "first_high")):
            variables[name] = (dims, np.stack([beams.angle_interval[plane][end] for plane in planes]))
    if sphere is not None and sphere.on_curve_grid:
        for name, values in (
            ("sphere_power", sphere.harmonics.power_db),
            ("sphere_index", sphere.harmonics.index_db),
            ("two_orbit_error", sphere.harmonics.two_orbit_error_db),
        ):
            if values is not None:
                variables[name] = ("frequency", values)
    attributes = inputs.datasets["curves"].attrs
    dataset = xr.Dataset(
        variables,
        coords={
            "plane": ("plane", np.array(planes, dtype=object)),
            "side": ("side", np.array(SIDES, dtype=object)),
            "frequency": inputs.frequency,
        },
        attrs={
            "device": attributes["device"],
            "title": attributes["title"],
            "level_kind": attributes["level_kind"],
            "smoothing": attributes["smoothing"],
            "drop": inputs.options.beam.drop,
        },
    )
    return contract.describe(dataset, "directivity")
