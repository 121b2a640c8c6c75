"""The two orbits of the open loudspeaker data, for tests."""

from __future__ import annotations

import numpy as np

import physics
import real_loudspeaker
from anechain.acoustics.directivity.directions import orbit_vectors


def horizontal_and_vertical(step: float = 10.0):
    """The loudspeaker, angles, and levels of both orbits of shape (angles, frequencies); skips without the data."""
    speaker = real_loudspeaker.load()
    angles = physics.orbit_angles(step)
    horizontal, vertical = (speaker.levels(orbit_vectors(plane, angles)) for plane in ("horizontal", "vertical"))
    known = ~np.isnan(speaker.curves["on_axis"])
    speaker = real_loudspeaker.RealLoudspeaker(
        speaker.frequency[known],
        {name: curve[known] for name, curve in speaker.curves.items()},
        speaker.listed_index,
        speaker.harmonics,
    )
    return speaker, angles, horizontal[:, known], vertical[:, known]
