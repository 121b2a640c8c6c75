"""Measurement checks of the responses of a device, whichever importer read them.

`arrivals` checks when the sound arrives, `echoes` finds reflections of the set-up, `directions` compares the levels of
directions with each other,
`shared_directions` compares the directions that both planes have, `repeats` compares takes, and `plausibility` finds
wrong units, scales, bands and sides, and copies.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from anechain.data.checks import Check
from anechain.importing.response_checks.arrivals import check_arrival_drift, check_distance, check_rotation_centre
from anechain.importing.response_checks.directions import check_levels_of_directions, check_mirror
from anechain.importing.response_checks.echoes import check_echoes
from anechain.importing.response_checks.orbit import measured_orbit
from anechain.importing.response_checks.plausibility import check_plausibility
from anechain.importing.response_checks.repeats import check_repeats
from anechain.importing.response_checks.shared_directions import check_shared_directions

if TYPE_CHECKING:
    import xarray as xr

    from anechain.campaign.file import StrongerSide

__all__ = ["METHODS", "check_responses"]

METHODS = (
    "arrival-from-phase",
    "arrival-round-orbit",
    "band-centres",
    "band-means",
    "declared-symmetry",
    "distance-law-check",
    "echoes",
    "likely-angle",
    "mirror-differences",
    "neighbour-differences",
    "pole-difference",
    "power-cepstrum-of-curve",
    "rotation-centre-error",
    "speed-of-sound",
    "swapped-directions",
)
"""Ids of the methods that these checks use."""


def check_responses(
    responses: xr.Dataset, symmetry: Collection[str] = (), stronger_side: StrongerSide | None = None
) -> tuple[Check, ...]:
    """Check the responses of a device.

    Parameters
    ----------
    responses : xarray.Dataset
        According to the contract `responses`.
    symmetry : collection of str
        Declared symmetry of the device: "left/right", "up/down" or both.
    stronger_side : StrongerSide, optional
        The side to which the device radiates more, as the campaign declares it.

    Returns
    -------
    tuple of Check
        One for each kind of check of responses; with the reason, if it cannot be made.
    """
    orbits = [measured_orbit(responses, str(plane)) for plane in responses["plane"].values]
    orbits = [orbit for orbit in orbits if orbit.angle.size]
    return (
        check_echoes(responses),
        check_distance(responses, orbits),
        check_rotation_centre(responses, orbits),
        check_arrival_drift(orbits),
        check_mirror(orbits, symmetry),
        *check_levels_of_directions(orbits),
        *check_shared_directions(responses),
        check_repeats(responses),
        *check_plausibility(responses, stronger_side),
    )
