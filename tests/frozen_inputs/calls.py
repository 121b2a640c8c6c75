"""Frozen reference inputs: for every method a call whose result is kept, as a digest, in methods.lock.

They say nothing about whether a method is right (the tests do, against the outside); they notice when it changes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anechain.arrays import Floats

__all__ = ["reference_calls"]


_FREQUENCY: Floats = np.geomspace(25.0, 16000.0, 113)
_TEN: Floats = np.arange(-170.0, 181.0, 10.0)
_FIFTEEN: Floats = np.arange(-165.0, 181.0, 15.0)


def _pattern(angle: Floats, tilt: float) -> Floats:
    """A level that narrows with frequency, is no mirror image of itself, and ripples: nothing in it cancels out."""
    narrow = np.log10(1.0 + _FREQUENCY / 700.0)
    shade = 1.0 - np.cos(np.deg2rad(angle[:, np.newaxis] - tilt))
    ripple = 0.7 * np.sin(5.0 * np.log2(_FREQUENCY / 100.0) + angle[:, np.newaxis] / 37.0)
    return np.asarray(85.0 - 7.0 * shade * narrow + ripple)


def _orbit_levels() -> Floats:
    level = np.stack([_pattern(_TEN, 4.0), _pattern(_TEN, -9.0)])
    for pole in (0.0, 180.0):
        level[1, pole == _TEN] = level[0, pole == _TEN]
    return level


def _on_axis_level() -> Floats:
    return np.asarray(_orbit_levels()[0, _TEN == 0.0][0])


def _orbits() -> Any:
    from anechain.acoustics.directivity.measured_orbits import measured_orbits

    return measured_orbits(_orbit_levels(), ("horizontal", "vertical"), _TEN)


def _grid() -> tuple[Floats, Floats]:
    from anechain.acoustics.directivity.directions import unit_vectors

    azimuth, elevation = np.meshgrid(np.arange(-170.0, 181.0, 10.0), np.arange(-90.0, 91.0, 10.0))
    vectors = unit_vectors(azimuth.ravel(), elevation.ravel())
    x, y, z = vectors.T
    return vectors, np.asarray(80.0 + 4.0 * x - 1.5 * y + 0.7 * z + x * y)


def _sphere_interpolation() -> Any:
    from anechain.acoustics.directivity.directions import unit_vectors
    from anechain.acoustics.directivity.sphere_interpolation import interpolate_sphere

    vectors, level = _grid()
    targets = unit_vectors(np.array([0.0, 13.0, -77.0, 176.0]), np.array([0.0, 4.0, -33.0, 86.0]))
    return interpolate_sphere(vectors, 10.0 ** (level / 10.0), targets)


def _grid_without_doubles() -> tuple[Floats, Floats]:
    from anechain.acoustics.directivity.sphere import unique_directions

    vectors, level = _grid()
    first, _ = unique_directions(vectors)
    return vectors[first], level[first]


def reference_calls() -> dict[str, Callable[[], Any]]:
    """For each method id a call without arguments that gives its result on the frozen input."""
    from anechain.acoustics.curve import bands, comparison, frequencies, levels, smoothing
    from anechain.acoustics.directivity import (
        curve_averages,
        direction_lists,
        orbit_interpolation,
        sphere,
        symmetry,
        weights,
    )
    from frozen_inputs.captures import reference_calls_of_captures
    from frozen_inputs.checks import reference_calls_of_checks
    from frozen_inputs.compression import reference_calls_of_compression
    from frozen_inputs.distortion import reference_calls_of_distortion
    from frozen_inputs.importers import reference_calls_of_importers
    from frozen_inputs.level_errors import reference_calls_of_level_errors
    from frozen_inputs.numbers import reference_calls_of_numbers
    from frozen_inputs.phase import reference_calls_of_phase
    from frozen_inputs.stages import reference_calls_of_stages

    flat = _on_axis_level()
    steep = 80.0 - 30.0 * np.log10(_FREQUENCY / 100.0)
    return {
        "band-centres": lambda: [bands.band_centres(fraction, 22.0, 17000.0) for fraction in (1, 2, 3, 24)],
        "band-means": lambda: bands.band_means(_FREQUENCY, flat, bands.band_centres(3, 40.0, 8000.0), 3),
        "common-grid": lambda: comparison.common_grid([_FREQUENCY, np.array([100.0, 18000.0])]),
        "curve-set": lambda: _all_curves(),
        "directivity-index": lambda: curve_averages.directivity_index(flat, steep),
        "directivity-index-one-orbit": lambda: curve_averages.directivity_index_one_orbit(flat, steep),
        "early-reflections": lambda: [
            curve_averages.early_reflections(_orbits(), total, wall)
            for total in ("reflection_groups", "curves")
            for wall in ("three", "all")
        ],
        "early-reflections-one-orbit": lambda: [
            curve_averages.early_reflections_one_orbit(_orbits(), plane, total)
            for plane in ("horizontal", "vertical")
            for total in ("reflection_groups", "curves")
        ],
        "fractional-octave-smoothing": lambda: [
            smoothing.smooth(_FREQUENCY, level, fraction) for level in (flat, steep) for fraction in (1.0, 3.0, 20.0)
        ],
        "in-room-estimate": lambda: curve_averages.in_room(
            curve_averages.listening_window(_orbits()),
            curve_averages.early_reflections(_orbits()),
            curve_averages.sound_power(_orbits()),
        ),
        "declared-symmetry": lambda: list(
            symmetry.mirrored_orbits(
                ("horizontal", "vertical"),
                [-30.0, 0.0, 30.0, 60.0, 180.0],
                [[True] * 5, [False, True, True, True, True]],
                ["left/right", "up/down"],
            )
        ),
        "level-alignment": lambda: comparison.alignment_step(_FREQUENCY, flat),
        "level-reference": lambda: levels.referred_level_step(2.4, 4.1),
        "listening-window": lambda: curve_averages.listening_window(_orbits()),
        "on-axis": lambda: curve_averages.on_axis(_orbits()),
        "orbit-interpolation": lambda: orbit_interpolation.interpolate_orbit(_FIFTEEN, _pattern(_FIFTEEN, 4.0), _TEN),
        "resample-log-frequency": lambda: frequencies.resample(_FREQUENCY, flat, np.geomspace(20.0, 20000.0, 57)),
        "resolution-limit": lambda: smoothing.resolution_limit(np.arange(2.0, 400.0, 2.0), 20.0),
        "solid-angle-weights": lambda: sphere.solid_angle_weights(_grid()[0]),
        "sound-power-one-orbit": lambda: [
            curve_averages.sound_power_one_orbit(_orbits(), plane) for plane in ("horizontal", "vertical")
        ],
        "sound-power-two-orbits": lambda: curve_averages.sound_power(_orbits()),
        "sphere-interpolation": _sphere_interpolation,
        "sphere-mean-level": lambda: sphere.sphere_mean_level(_grid()[1], sphere.solid_angle_weights(_grid()[0])),
        "two-orbit-weights": lambda: [weights.two_orbit_weights(step) for step in (5.0, 10.0, 15.0)],
        "wall-reflection": lambda: [
            curve_averages.wall_reflection(_orbits(), name, wall)
            for name in direction_lists.REFLECTION_GROUPS
            for wall in ("three", "all")
        ],
        **reference_calls_of_captures(),
        **reference_calls_of_checks(),
        **reference_calls_of_compression(),
        **reference_calls_of_distortion(),
        **reference_calls_of_level_errors(),
        **reference_calls_of_phase(),
        **reference_calls_of_importers(),
        **reference_calls_of_stages(),
        **reference_calls_of_numbers(_FREQUENCY, _TEN, _orbit_levels(), _grid_without_doubles()),
    }


def _all_curves() -> Any:
    from anechain.acoustics.directivity.curves import curve_set

    found = curve_set(_orbit_levels(), ("horizontal", "vertical"), _TEN)
    one = curve_set(_orbit_levels()[:1], ("horizontal",), _TEN)
    return [found.levels, found.indices, found.gaps, one.gaps]
