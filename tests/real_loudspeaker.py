"""A real two-way loudspeaker of the open BRAS database (TU Berlin, RWTH Aachen; CC BY-SA 4.0), for tests.

Its field is given as spherical harmonics of order 20 (x ahead, y left, z up) in third octaves, relative level. Without
the environment variable ANECHAIN_REFERENCE_DATA the tests that want it are skipped.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from physics import level


@dataclass(frozen=True)
class RealLoudspeaker:
    """Frequencies in Hz, its curve set in dB as computed outside this project, and its directivity index (Parseval)."""

    frequency: NDArray
    curves: dict[str, NDArray]
    listed_index: dict[float, float]
    harmonics: object

    def levels(self, vectors: NDArray) -> NDArray:
        """Levels in dB of shape (directions, frequencies)."""
        from scipy.special import sph_harm_y

        polar = np.arccos(np.clip(vectors[..., 2], -1, 1))[..., np.newaxis]
        azimuth = np.arctan2(vectors[..., 1], vectors[..., 0])[..., np.newaxis]
        return level(sph_harm_y(self.harmonics.n, self.harmonics.m, polar, azimuth) @ self.harmonics.coeff)


def load() -> RealLoudspeaker:
    """Read it, or skip the test."""
    root = os.environ.get("ANECHAIN_REFERENCE_DATA")
    path = next(Path(root).glob("*/curve_set.json"), None) if root else None
    if path is None:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set or has no loudspeaker: the open data are not at hand")
    from scipy.io import loadmat

    harmonics = loadmat(next(path.parent.glob("*.mat")), squeeze_me=True, struct_as_record=False)["SH"]
    curves = {
        name: np.array([np.nan if x is None else x for x in curve], dtype=float)
        for name, curve in json.loads(path.read_text()).items()
    }
    index = {}
    for line in (Path(root) / "CHECKS.txt").read_text().splitlines():
        words = line.split()
        if len(words) == 8 and words[0].replace(".", "", 1).isdigit():
            index[float(words[0])] = float(words[2])
    return RealLoudspeaker(curves.pop("frequency"), curves, index, harmonics)
