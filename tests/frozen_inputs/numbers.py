"""Frozen reference inputs of the numbers that are read off curves: sensitivity, limits, peaks, beam."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats

if TYPE_CHECKING:
    from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors

__all__ = ["reference_calls_of_numbers"]

PLANES = ("horizontal", "vertical")


def _falling_bass(frequency: Floats) -> Floats:
    return np.asarray(-10.0 * np.log10(1.0 + (52.0 / frequency) ** 4))


def _impedance(frequency: Floats) -> tuple[Floats, Floats]:
    """Modulus and phase of two peaks and an inductance: nothing in it is symmetric."""
    impedance = 5.6 + 2j * np.pi * frequency * 0.4e-3
    for centre, height, q in ((31.0, 24.0, 3.0), (88.0, 37.0, 5.0)):
        impedance = impedance + height / (1 + 1j * q * (frequency / centre - centre / frequency))
    return np.abs(impedance), np.rad2deg(np.angle(impedance))


def _direction_errors(frequency: Floats, angles: Floats, levels: Floats) -> DirectionErrors:
    """Errors of all kinds, none of them even over frequency or direction; few draws."""
    from anechain.acoustics.directivity.orbits import by_direction, distinct_directions
    from anechain.acoustics.uncertainty.components import angle_slope
    from anechain.acoustics.uncertainty.curve_uncertainty import curve_shares
    from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors

    place = distinct_directions(levels, angles)
    off_axis = np.broadcast_to(np.abs(angles)[:, np.newaxis], levels.shape)
    return DirectionErrors(
        frequency,
        0.2 + 0.01 * np.log2(frequency),
        np.full(frequency.size, 0.15),
        by_direction(0.1 + 0.002 * off_axis, place),
        by_direction(np.stack([0.5 * angle_slope(angles, one) for one in levels]), place),
        {name: by_direction(share, place) for name, share in curve_shares(levels, PLANES, angles).items()},
        place,
        draws=5,
    )


def _deviation_interval(frequency: Floats, level: Floats) -> tuple[float, float]:
    """Interval of half the range above 200 Hz, with a few errors that no seed decides."""
    from anechain.acoustics.curve.linearity import half_range
    from anechain.acoustics.uncertainty.deviation_interval import curve_without_noise, deviation_interval

    inside = frequency >= 200.0
    octaves, curve = np.log2(frequency[inside] / 200.0), level[inside] - level[inside].mean()
    phase = np.arange(12.0)[:, np.newaxis]
    drawn = 0.2 * np.sin(phase + (1.0 + 0.3 * phase) * octaves)
    shape = curve_without_noise(frequency[inside], curve, drawn)
    return deviation_interval(half_range, shape, drawn, float(half_range(curve)))


def reference_calls_of_numbers(
    frequency: Floats, angles: Floats, levels: Floats, directions: tuple[Floats, Floats]
) -> dict[str, Callable[[], Any]]:
    """Calls by method id.

    Parameters
    ----------
    frequency, angles, levels
        Hz; degrees; dB of shape (2, angles, frequencies): the orbits.
    directions
        Unit vectors of a grid on the sphere, and a level in dB for each.
    """
    from anechain.acoustics.curve import (
        echo_ripple,
        effective_range,
        frequency_limits,
        linearity,
        preference,
        resonance_audibility,
        room_extension,
        sensitivity,
        trends,
    )
    from anechain.acoustics.directivity import (
        aim,
        beam_width,
        coverage,
        directivity_constancy,
        listening_height,
        narrowing,
        spherical_harmonics,
    )
    from anechain.acoustics.impedance import (
        box_tuning,
        equivalent_dissipation,
        limit_decision,
        minimum,
        phase_range,
        rated_impedance,
        takes,
    )
    from anechain.acoustics.impedance import uncertainty as impedance_uncertainty
    from anechain.acoustics.uncertainty import (
        components,
        curve_uncertainty,
        drawn_errors,
        linear_propagation,
        monte_carlo,
    )

    bass = _falling_bass(frequency)
    axis = levels[0, angles == 0.0][0] + bass
    power = axis - 2.0 * np.log2(1.0 + frequency / 900.0)
    band = sensitivity.BandLevel(87.3, 300.0, 3000.0, "")
    ohm_at = np.geomspace(12.0, 19000.0, 400)
    modulus, phase = _impedance(ohm_at)
    ten = np.flatnonzero(np.isin(angles, np.arange(0.0, 91.0, 10.0)))
    vectors, sphere_level = directions
    return {
        "aimed-curve": lambda: aim.aimed_curve(frequency, angles, levels[0], 17.0, -30.0),
        "beam-width": lambda: [beam_width.beam_width(frequency, angles, one) for one in levels],
        "best-aim": lambda: aim.best_aim(frequency, angles, levels[0], slope_db_per_octave=-0.4),
        "box-tuning": lambda: box_tuning.box_tuning(ohm_at, modulus, phase),
        "characteristic-sensitivity": lambda: sensitivity.characteristic_sensitivity(band, 6.0, 2.9, 1.1),
        "curve-set-uncertainty": lambda: curve_uncertainty.curve_set_uncertainty(
            levels, PLANES, angles, 0.3, 0.1 + 0.002 * np.abs(angles)[:, np.newaxis]
        ),
        "echoes": lambda: _rounded_echoes(frequency, angles, levels),
        "power-cepstrum-of-curve": lambda: [
            f"{share:.3g}" for share in echo_ripple.power_cepstrum(frequency, axis, np.linspace(0.0005, 0.003, 26))
        ],
        "deviation-evidence": lambda: _rounded_evidence(frequency, angles, levels),
        "deviation-interval": lambda: _deviation_interval(frequency, axis),
        "deviations": lambda: _rounded_deviations(frequency, angles, levels),
        "directivity-constancy": lambda: directivity_constancy.directivity_constancy(frequency, axis - power),
        "distance-uncertainty": lambda: components.distance_component(2.1, 0.013),
        "drawn-errors": lambda: [
            drawn_errors.curve_errors(_direction_errors(frequency, angles, levels), name)
            for name in ("in_room", "sound_power_index")
        ],
        "first-order-errors": lambda: drawn_errors.first_order(
            _direction_errors(frequency, angles, levels), "in_room", np.linspace(0.0, 0.01, frequency.size)
        ),
        "effective-frequency-range": lambda: effective_range.effective_frequency_range(frequency, power),
        "equivalent-dissipation": lambda: equivalent_dissipation.equivalent_dissipation(ohm_at, modulus, phase),
        "frequency-limits": lambda: [
            frequency_limits.frequency_limits(frequency, axis, 85.0, "reference", minus_3_db=reading)
            for reading in ("half power", "3.000 dB")
        ],
        "impedance-uncertainty": lambda: impedance_uncertainty.impedance_uncertainty(
            modulus, 0.011, 0.4 + 0.001 * ohm_at**0.5, 0.02 * modulus, 0.3 + 0.0 * modulus, 3
        ),
        "in-room-extension": lambda: [
            room_extension.in_room_extension(frequency, power, length) for length in (None, 5.3)
        ],
        "in-room-smoothness": lambda: preference.smoothness(frequency, power),
        "limit-decision": lambda: [
            limit_decision.lower_limit_decision(value, 0.2, 6.4) for value in (6.1, 6.3, 6.5, 6.7)
        ],
        "linear-uncertainty": lambda: linear_propagation.linear_combination_uncertainty([0.7, -0.2], [0.3, 0.4], 0.11),
        "linearity": lambda: linearity.linearity(frequency, axis, 310.0, 9100.0),
        "listening-height": lambda: [
            listening_height.listening_height(frequency, angles, levels[1], tolerance_db=2.0, measure=measure)
            for measure in ("largest", "mean")
        ],
        "low-frequency-terms": lambda: preference.low_frequency_terms(frequency, axis, power),
        "mean-coverage": lambda: coverage.mean_coverage(
            beam_width.beam_width(frequency, angles, levels[0], 3.0), 3000.0, 9000.0
        ),
        "mean-impedance": lambda: takes.mean_impedance(
            np.stack([modulus, 1.03 * modulus, 0.98 * modulus]), np.stack([phase, phase + 2.0, phase - 0.5])
        ),
        "mean-level-uncertainty": lambda: linear_propagation.mean_level_uncertainty(
            levels[0, ten], np.arange(1.0, ten.size + 1), 0.3, 0.17
        ),
        "minimum-impedance": lambda: minimum.minimum_impedance(ohm_at, modulus),
        "monte-carlo-uncertainty": lambda: [
            monte_carlo.monte_carlo(lambda level: float(level.max()), levels[0, ten], 0.3, 0.2, across, draws=50)
            for across in ("independent", "common")
        ],
        "narrow-band-deviation": lambda: [
            linearity.narrow_band_deviation(frequency, axis, last_band=reading) for reading in ("whole", "cut")
        ],
        "first-narrowing": lambda: narrowing.first_narrowing(
            beam_width.beam_width(frequency, angles, levels[0], 3.0), 130.0
        ),
        "open-coverage": lambda: coverage.open_coverage(
            beam_width.beam_width(frequency, angles, levels[0], 9.0), 1000.0, 12000.0
        ),
        "narrowing-frequency": lambda: narrowing.narrowing_frequency(
            beam_width.beam_width(frequency, angles, levels[0], 3.0), 130.0
        ),
        "peaks-and-dips": lambda: _rounded_features(frequency, levels),
        "phase-deviation": lambda: takes.phase_deviation(
            np.stack([modulus, 1.03 * modulus, 0.98 * modulus]), np.stack([phase, phase + 2.0, phase - 0.5])
        ),
        "phase-range": lambda: phase_range.phase_range(ohm_at, phase),
        "preference-equation": lambda: preference.preference_of_terms(0.4, 0.3, 1.7, 0.8),
        "preference-estimate": lambda: preference.preference_estimate(frequency, axis, axis, power, power),
        "rated-impedance": lambda: rated_impedance.rated_impedance(minimum.minimum_impedance(ohm_at, modulus), 8.0),
        "repeatability": lambda: components.repeatability(levels[0, ten]),
        "resonance-audibility": lambda: resonance_audibility.audibility_threshold([0.7, 3.0, 40.0]),
        "room-gain": lambda: room_extension.room_gain(frequency, 4.7),
        "sensitivity": lambda: sensitivity.sensitivity(frequency, axis),
        "setting-angle-uncertainty": lambda: components.setting_angle_uncertainty(angles, levels[0], 0.5),
        "sphere-harmonics": lambda: spherical_harmonics.sphere_by_harmonics(
            vectors, sphere_level[:, np.newaxis], 5, [84.0], [79.0]
        ),
        "standard-uncertainty-of-limits": lambda: [
            components.standard_of_limits(0.7, shape) for shape in ("rectangular", "triangular", "normal")
        ],
        "target-deviation": lambda: trends.deviation_from_target(
            frequency, axis, [20.0, 300.0, 20000.0], [88.0, 86.0, 80.0], (200.0, 5000.0)
        ),
        "trend-deviation": lambda: trends.deviation_from_trend(
            frequency, axis, trends.own_trend(frequency, axis, -0.7, 900.0, 84.0, (310.0, 9100.0), "reference")
        ),
        "own-trend-line": lambda: trends.own_trend(frequency, axis, -0.7, 900.0, None, (310.0, 9100.0), "reference"),
        "trend-line": lambda: trends.fit_trend(frequency, axis, 310.0, 9100.0),
    }


def _rounded_features(frequency: Floats, levels: Floats) -> Any:
    """Peaks and dips to four digits: a search by iteration is not the same to the last ones everywhere."""
    from anechain.acoustics.curve.peaks_and_dips import find_peaks_and_dips
    from anechain.acoustics.curve.smoothing import smooth

    found, reason = find_peaks_and_dips(frequency, levels[0, 12], "reference", min_height_db=0.8)
    result = [(f"{one.centre_hz:.4g}", f"{one.height_db:.3g}", f"{one.q:.3g}", one.shape) for one in found], reason
    # A resonance added with a phase, smoothed, on a tilt.
    fine = np.geomspace(100.0, 16000.0, 353)
    ringing = 0.4 * np.exp(0.9j) / (1 + 11j * (fine / 730.0 - 730.0 / fine))
    level = smooth(fine, 20 * np.log10(np.abs(1 + ringing)) - 0.6 * np.log2(fine), 20.0)
    more, _ = find_peaks_and_dips(fine, level, "smoothed", smoothing=20.0)
    return *result, [
        (f"{one.centre_hz:.3g}", f"{one.extreme_hz:.3g}", f"{one.pole_q:.3g}", f"{one.phase_deg:.2g}", one.shape)
        for one in more
    ]


def _rounded_evidence(frequency: Floats, angles: Floats, levels: Floats) -> Any:
    from anechain.acoustics.curve.peak_shapes import PeakOrDip
    from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence, evidence_of
    from anechain.methods import versions

    def rounded(found: DeviationEvidence) -> tuple[Any, ...]:
        return (
            {name: f"{height:.3g}" for name, height in found.height_by_curve_db.items()},
            found.in_curves,
            found.directions_by_plane,
            {plane: f"{spread:.3g}" for plane, spread in found.variation_by_plane_db.items()},
        )

    feature = PeakOrDip("on_axis", 2130.0, 1.2, 0.6, 2.4, 2.5, "one resonance", 0.1)
    curves = {"on_axis": levels[0, angles == 0.0][0], "side": levels[0, angles == 60.0][0]}
    result = rounded(evidence_of(feature, frequency, curves, levels, PLANES, angles))
    if versions(["deviation-evidence"])["deviation-evidence"] == 1:
        return result
    # Version 2 also searches a broad shape behind, and subtracts a narrower neighbour.
    broad = PeakOrDip("reference", 1100.0, 2.0, 1.7, 0.8, 0.9, "one resonance", 0.1)
    found = evidence_of(broad, frequency, curves, levels, PLANES, angles, (feature, broad))
    residuals = {
        plane: (f"{share:.3g}", f"{left:.3g}") for plane, (share, left) in found.pole_residual_by_plane.items()
    }
    return *result, *rounded(found), found.rear_by_plane, found.uneven_rear_directions, residuals


def _rounded_echoes(frequency: Floats, angles: Floats, levels: Floats) -> Any:
    """Echo of 0.5 m on each direction."""
    from anechain.acoustics.directivity.echoes import find_echoes

    comb = 20 * np.log10(np.abs(1 + 0.2 * np.exp(-2j * np.pi * frequency * 0.5 / 343.2)))
    return [
        (f"{one.delay_s:.3g}", f"{one.level_db:.2g}", one.share_by_plane, one.alike)
        for one in find_echoes(frequency, levels + comb, PLANES, angles, 200.0, 16000.0)
    ]


def _rounded_deviations(frequency: Floats, angles: Floats, levels: Floats) -> Any:
    from anechain.acoustics.directivity.curves import curve_set
    from anechain.acoustics.directivity.deviations import deviations

    curves = curve_set(levels, PLANES, angles)
    phase = -40.0 * np.log2(frequency / 500.0)
    report = deviations(frequency, curves.levels, levels, PLANES, angles, 500.0, 4000.0, 0.5, axis_phase_deg=phase)
    return [
        (
            f"{one.feature.centre_hz:.4g}",
            one.feature.curve,
            one.radiates,
            one.plane,
            one.radiation_basis,
            one.cause,
            one.basis,
            one.above_threshold,
        )
        for one in report.deviations
    ], report.not_searched
