"""Stated uncertainties at numbers of distortion, compression and usable limits, against first order by hand (GUM)."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import nonlinear_speaker
import valid_datasets
from anechain.acoustics.nonlinear.usable_limits import distortion_limit_curve
from anechain.acoustics.uncertainty.drawn_errors import first_order
from anechain.campaign.compression import CompressionOptions
from anechain.campaign.derivation import Derivation
from anechain.campaign.distortion import DistortionOptions
from anechain.campaign.numbers import DeviceNumbers, Numbers, NumbersUncertainty
from anechain.campaign.uncertainty import Stated
from anechain.campaign.usable_limits import UsableLimits
from anechain.figure_of_merit import usable_limits_uncertainty
from anechain.figure_of_merit.capture_uncertainty import (
    REPEATED_FIRST_DRIVE,
    band_power_weights,
    capture_errors,
    change_name,
    drive_name,
    level_uncertainty,
)
from anechain.figure_of_merit.compression import compression_numbers
from anechain.figure_of_merit.compression_dataset import compression_dataset
from anechain.figure_of_merit.curve_uncertainty import NOT_STATED, REPEATABILITY_ONLY
from anechain.figure_of_merit.distortion import distortion_numbers
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.figure_of_merit.drive_orders import drive_orders
from anechain.figure_of_merit.metric_inputs import gather
from anechain.figure_of_merit.usable_limits import usable_numbers
from anechain.methods import versions
from anechain.stages.distortion import USES
from distortion_data import harmonics, orders_of

PER_DB = np.log(10) / 20
TAKES_DB = 0.1
"""dB: what one take of the responses differs from the next by, of three."""


def stated(**components):
    """The section as a campaign hands it on."""
    return {
        name: Stated.model_validate(one if isinstance(one, dict) else {"value": one}).model_dump(mode="json")
        for name, one in components.items()
    }


def responses(repeated=True):
    data = valid_datasets.responses()
    return data if repeated else data.drop_vars(["level_std", "takes"])


def gathered(data, repeated=False, draws=400, octaves=1.0, **components):
    datasets = {"curves": valid_datasets.curves(), "responses": responses(repeated)} | data
    options = Numbers(uncertainty=NumbersUncertainty(draws=draws, response_octaves=octaves))
    section = stated(**components)
    section["repeatability"] = section.get("repeatability", {}) | {"octaves": octaves}
    return gather(options, DeviceNumbers(), datasets, Derivation(smoothing=None), stated=section)


def distortion_of(data, levels=(86.0,)):
    return distortion_dataset(
        data, DistortionOptions(levels=levels).model_dump(mode="json") | {"methods": versions(USES)}
    )


def distorting(data=None, levels=(86.0,), **propagation):
    data = harmonics() if data is None else data
    given = gathered({"harmonics": data, "distortion": distortion_of(data, levels)}, **propagation)
    return {one.id: one for one in distortion_numbers(given)}


def standard(number):
    if number.interval is not None:
        return (number.interval[1] - number.interval[0]) / 3.92
    return number.uncertainty / number.coverage_factor


@pytest.mark.parametrize("level", [86.0, 83.0])
def test_distortion_is_as_uncertain_as_its_level_by_its_slope(level):
    """Order 2 rises 1 dB re the fundamental per dB, order 3 by 2 dB; at a take and between two takes alike."""
    found = distorting(levels=(level,), calibration=0.3, gain_and_drive=0.4)
    _, second, third = orders_of(level)
    squares = 10 ** (np.array([second, third]) / 10)
    slope = float((squares * [1.0, 2.0]).sum() / squares.sum())
    for what, close in (("mean", 1e-3), ("worst", 0.12)):
        number = found[f"distortion.at_{level:g}.thd_f.{what}_200_2000"]
        assert standard(number) / number.value == pytest.approx(slope * 0.5 * PER_DB, rel=close)
    assert found[f"distortion.at_{level:g}.thd_f.mean_200_2000"].propagation.startswith("first order (GUM)")
    worst = found[f"distortion.at_{level:g}.thd_r.worst_200_2000"]
    assert worst.propagation.startswith("Monte Carlo, 400 draws") and "repeatability is not known" in worst.propagation
    # Re the total: p / sqrt(1 + p^2) has the slope (1 + p^2)^(-3/2).
    assert standard(worst) == pytest.approx(slope * 0.5 * PER_DB * worst.value, rel=0.12)


def test_the_distance_counts_as_a_level_does():
    """1 % of a distance is 8.686 x 0.01 dB, to first order."""
    found = distorting(distance=0.01)["distortion.at_86.thd_f.mean_200_2000"]
    _, second, third = orders_of(86.0)
    squares = 10 ** (np.array([second, third]) / 10)
    slope = float((squares * [1.0, 2.0]).sum() / squares.sum())
    assert standard(found) / found.value == pytest.approx(slope * 0.08686 * PER_DB, rel=1e-3)


def test_a_microphone_that_is_sure_at_low_frequencies_alone():
    """0.5 dB from 3.5 kHz on: orders heard above it take it, the level (300 to 3000 Hz) and lower orders nothing."""
    pairs = [[20.0, 0.0], [3400.0, 0.0], [3500.0, 0.5], [20000.0, 0.5]]
    found = distorting(harmonics(noise=np.nan), microphone={"value": pairs})
    low, high = (found[f"distortion.at_86.thd_f.mean_{band}"] for band in ("40_200", "2000_6000"))
    assert low.uncertainty is None and "cancel in this number" in low.uncertainty_reason
    assert 0 < standard(high) / high.value < np.sqrt(2) * 0.5 * PER_DB


def test_distortion_needs_what_captures_share():
    key = "distortion.at_86.thd_f.worst_200_2000"
    assert distorting()[key].uncertainty_reason == NOT_STATED
    assert distorting(repeated=True)[key].uncertainty_reason == REPEATABILITY_ONLY
    alone = distorting(harmonics(levels=(86.0,)), calibration=0.3)[key]
    assert "only one take" in alone.uncertainty_reason and alone.uncertainty is None


def test_the_uncertainty_of_an_upper_limit_is_that_of_the_limit():
    found = distorting(harmonics(noise=47.0), calibration=0.3)["distortion.at_86.thd_f.worst_200_2000"]
    assert found.bound == "at most" and found.uncertainty > 0 and found.propagation.endswith("uncertainty of the limit")


def test_the_lowest_frequency_under_a_limit_moves_by_its_slope():
    """A second order that falls by 12 dB an octave, 1 dB per dB of level: u_f = f ln 2 u_L / 12."""
    data = harmonics()
    fall = 12.0 * np.log2(data["frequency"].values / 100.0)
    level = data["level"].values.copy()
    level[:, 1] = level[:, 0] - 20.0 - fall + np.array([-6.0, 0.0, 6.0])[:, np.newaxis]
    data = data.assign(level=(data["level"].dims, level[:])).sel(order=[1, 2])
    found = distorting(data, calibration=0.5)["distortion.at_86.under_10"]
    assert found.value == pytest.approx(100.0, rel=1e-3)
    assert standard(found) == pytest.approx(100.0 * np.log(2) * 0.5 / 12.0, rel=0.12)


def test_orders_of_drives_are_those_of_the_stage():
    """At the level of a take the stage's orders are that take's."""
    data = harmonics(noise=20.0)
    distortion = distortion_of(data)
    found = drive_orders(gathered({"harmonics": data, "distortion": distortion}))
    np.testing.assert_allclose(found.relative[1].level_db, distortion["harmonic"].values[0])
    assert found.orders == (2, 3) and found.drive.tolist() == data["drive"].values.tolist()


def multitone(microphone):
    grid = 100.0 * 2.0 ** np.arange(8)
    tones, between = np.full(8, -400.0), np.full(8, -400.0)
    tones[1], between[5] = 90.0, 50.0
    dims = ("drive", "frequency")
    data = xr.Dataset(
        {
            "tones": (dims, tones[np.newaxis]),
            "between": (dims, between[np.newaxis]),
            "level": ("drive", [90.0]),
            "ratio": ("drive", [-40.0]),
        },
        {"drive": [2.0], "frequency": grid, "tone": [200.0]},
        {"distance": 1.0},
    )
    return {one.id: one for one in distortion_numbers(gathered({"multitone": data}, **microphone))}[
        "distortion.multitone_2"
    ]


def test_between_the_tones_the_microphone_counts_where_both_are():
    """Tones at 200 Hz, products at 3200 Hz: root of the sum of the squares; calibration cancels."""
    pairs = [[200.0, 0.3], [3200.0, 0.4]]
    found = multitone({"microphone": {"value": pairs}, "calibration": 1.0})
    assert standard(found) == pytest.approx(0.5, rel=1e-6) and "first order" in found.propagation
    assert "cancel in this number" in multitone({"calibration": 1.0}).uncertainty_reason
    assert multitone({}).uncertainty_reason == NOT_STATED


def parameters(**usable):
    return {
        "compression": CompressionOptions(smoothing=None).model_dump(mode="json"),
        "usable_limits": UsableLimits(**usable).model_dump(mode="json"),
        "distortion": {"false_alarm_rate": 0.001, "orders": 9},
    }


def willow(takes=True, noise=-20.0, **propagation):
    usable = propagation.pop("usable", {})
    data = {"harmonics": nonlinear_speaker.harmonics(noise=noise)} | (
        {"takes": nonlinear_speaker.takes(pause=600.0)} if takes else {}
    )
    compression = compression_dataset(data, parameters(**usable))
    return gathered(
        {
            "harmonics": data["harmonics"],
            "compression": compression,
            "distortion": distortion_of(data["harmonics"], (90.0,)),
        },
        **propagation,
    )


def by_id(numbers):
    return {one.id: one for one in numbers}


def test_a_change_between_captures_is_root_two_of_one_capture():
    """GUM, 5.1.2: a difference of two independent readings; calibration, distance and microphone cancel."""
    given = willow(repeated=True, calibration=2.0, microphone=1.0, distance=0.1)
    compression = given.datasets["compression"]
    errors = capture_errors(given, compression, np.ones(5))
    alone = np.zeros(compression.sizes["frequency"])
    alone[0] = 1.0
    for name in (change_name(3), REPEATED_FIRST_DRIVE):
        assert level_uncertainty(errors, name, alone).standard == pytest.approx(np.sqrt(2) * TAKES_DB, rel=1e-6)
    assert level_uncertainty(errors, change_name(0), alone).standard == 0.0
    # A mean of two captures at the lowest drive: sqrt(1 + 1 / 2).
    paired = capture_errors(given, compression, np.array([2.0, 1.0, 1.0, 1.0, 1.0]))
    assert level_uncertainty(paired, change_name(3), alone).standard == pytest.approx(np.sqrt(1.5) * TAKES_DB, rel=1e-6)
    # A level keeps all: root of the sum of the squares, 0.1 m at 1 m being 0.828 dB (20 lg 1.1).
    whole = np.sqrt(2.0**2 + 1.0**2 + (20 * np.log10(1.1)) ** 2 + TAKES_DB**2)
    assert level_uncertainty(errors, drive_name(3), alone).standard == pytest.approx(whole, rel=0.02)


def test_the_setting_of_the_angle_is_one_for_all_captures():
    given = willow(repeated=True, calibration=0.1)
    errors = capture_errors(given, given.datasets["compression"], np.ones(5))
    of = errors.at_orders.errors
    angle_error = np.zeros_like(of.angle_error)
    angle_error[-2] = 0.3
    of = replace(of, angle_error=angle_error, own=np.zeros_like(of.own))
    gradient = np.eye(of.frequency.size)[0]
    assert first_order(of, drive_name(2), gradient) == pytest.approx(np.hypot(0.1, 0.3))
    assert first_order(of, change_name(2), gradient) == 0.0


def test_compression_has_no_share_of_what_captures_share():
    """Whatever is stated of calibration, distance and microphone, changes are as sure as takes repeat."""
    sure, unsure = (
        by_id(compression_numbers(willow(repeated=True, **more)))
        for more in ({}, {"calibration": 2.0, "microphone": 1.0, "distance": 0.1, "gain_and_drive": 1.0})
    )
    for name in ("level_change", "shape_change", "coil_rise", "long_term", "recovery"):
        one, other = sure[f"compression.{name}"], unsure[f"compression.{name}"]
        assert one.uncertainty == pytest.approx(other.uncertainty, rel=1e-9) and one.uncertainty > 0, name
        assert "all other errors cancel" in one.propagation or name == "coil_rise"
    assert "linearity of the gain" in sure["compression.level_change"].propagation
    # Between one independent stretch alone and all of 3.3 octaves of them.
    root_two = np.sqrt(2) * TAKES_DB
    for name in ("level_change", "long_term", "recovery"):
        assert root_two / 2.2 < standard(sure[f"compression.{name}"]) < root_two, name
    change, rise = sure["compression.level_change"], sure["compression.coil_rise"]
    # dT = (r - 1) / a with r = 10^(-L / 20): 0.115 r / a per dB.
    per_db = PER_DB * 10 ** (-change.value / 20) / nonlinear_speaker.COPPER
    assert standard(rise) == pytest.approx(per_db * standard(change), rel=1e-3)


def test_a_drift_that_repeatability_explains_may_be_none():
    """Two takes differ by root 2 of one take; over some ten octaves, errors an octave apart have the median 0.963.

    0.963 is the root of the median of chi squared of nine degrees of freedom, 8.34, over nine.
    """
    drift = by_id(compression_numbers(willow(repeated=True)))["compression.drift"]
    assert drift.value == pytest.approx(0.0, abs=1e-9) and drift.uncertainty is None
    assert drift.interval[0] == 0.0
    assert drift.interval[1] == pytest.approx(0.963 * np.sqrt(2) * TAKES_DB, rel=0.12)


def test_without_repeatability_changes_say_so():
    found = by_id(compression_numbers(willow(calibration=0.2)))
    assert "no take on the axis was repeated" in found["compression.drift"].uncertainty_reason
    # The noise of that model is 100 dB down, and still is all that is known.
    assert "repeatability" in found["compression.level_change"].propagation
    assert by_id(compression_numbers(willow()))["compression.recovery"].uncertainty is None


def test_the_level_at_a_limit_takes_the_level_and_the_compression_over_its_slope():
    """Of 63 Hz; calibration alone moves the level by itself, for compression does not see it."""
    found = by_id(compression_numbers(willow(calibration=0.3)))
    passed = [one for key, one in found.items() if ".octave_" in key and one.value is not None]
    assert passed
    for one in passed:
        assert standard(one) == pytest.approx(0.3, rel=0.02)
        assert "first order (GUM)" in one.propagation
    repeated = by_id(compression_numbers(willow(calibration=0.3, repeated=True)))[passed[0].id]
    assert standard(repeated) > standard(passed[0])
    lone = by_id(compression_numbers(willow(repeated=True)))[passed[0].id]
    assert lone.uncertainty_reason == REPEATABILITY_ONLY


def test_levels_of_usable_limits_are_as_sure_as_levels():
    given = willow(noise=np.nan, calibration=0.2, usable={"wanted_level": 85.0})
    found = by_id(usable_numbers(given))
    for key in ("loudest", "held", "listening"):
        assert standard(found[f"usable.{key}"]) == pytest.approx(0.2, rel=0.1), key
    # Distortion at a drive and compression do not see a calibration: no frequency moves.
    lowest = [one for key, one in found.items() if key.startswith("usable.lowest_")]
    assert [one.uncertainty for one in lowest if one.value is not None] == [None] * len(lowest)
    assert found["usable.take_over"].uncertainty_reason == "the same third-octave band in every draw"
    # A level wanted does: read between two drives, straight in log frequency over level.
    compression = given.datasets["compression"]
    levels, hz = compression["listening_level"].values, compression["lowest_usable"].values
    row = int(np.flatnonzero((levels[:-1] <= 85.0) & (levels[1:] >= 85.0))[0])
    slope = np.log(hz[row + 1] / hz[row]) / (levels[row + 1] - levels[row])
    wanted = found["usable.wanted"]
    assert standard(wanted) == pytest.approx(wanted.value * slope * 0.2, rel=0.12)


def test_the_lowest_usable_frequency_moves_by_the_slope_of_the_distortion_over_its_limit():
    """u_f = f u / slope: order 2 and its fundamental heard apart, so root 2 of the microphone's error."""
    given = willow(takes=False, microphone=0.2, octaves=0.04, draws=600)
    compression = given.datasets["compression"]
    ruled = [str(one) for one in compression["ruled_by"].values]
    row = ruled.index("distortion")
    hz = float(compression["lowest_usable"].values[row])
    around = hz * 2.0 ** np.array([-0.05, 0.05])
    one, second, third = nonlinear_speaker.order_levels(around, float(compression["drive"].values[row]))
    thd = 10 * np.log10(10 ** (second / 10) + 10 ** (third / 10)) - one - 20 * np.log10(distortion_limit_curve(around))
    slope = (thd[1] - thd[0]) / np.log(around[1] / around[0])
    found = by_id(usable_numbers(given))
    number = next(one for one in found.values() if one.value == hz)
    squares = 10 ** (np.array([second, third]).mean(axis=1) / 10)
    together = np.sqrt(1 + (squares**2).sum() / squares.sum() ** 2)
    # Errors every 0.04 octave: the last of some draws within reach ends the range, so it is somewhat less than that.
    assert standard(number) == pytest.approx(hz * 0.2 * together / abs(slope), rel=0.3)


@pytest.mark.parametrize("room", [None, 9.0])
def test_what_is_read_again_is_what_the_stage_read(room, monkeypatch):
    """Without errors: lowest frequencies, level held, level at the listening position, and its wanted value."""
    given = willow(calibration=0.2, noise=20.0, usable={"wanted_level": 85.0, "longest_dimension": room})
    data, undisturbed = given.datasets["compression"], {}
    assert data.attrs.get("longest_dimension") == room
    real = usable_limits_uncertainty.uncertainties_of_draws
    monkeypatch.setattr(
        usable_limits_uncertainty,
        "uncertainties_of_draws",
        lambda errors, plain, *others, **options: undisturbed.update(plain) or real(errors, plain, *others, **options),
    )
    list(usable_numbers(given))
    for row, hz in enumerate(data["lowest_usable"].values):
        assert undisturbed[f"lowest {row}"] == (pytest.approx(hz) if np.isfinite(hz) else None)
    last = int(np.flatnonzero(np.isfinite(data["held_level"].values))[-1])
    assert undisturbed["held"] == pytest.approx(float(data["held_level"].values[last]))
    assert undisturbed["listening"] == pytest.approx(float(data["listening_level"].values[last]))
    assert undisturbed["wanted"] == pytest.approx(data.attrs["wanted_frequency"])


def test_a_drive_that_hardly_meets_the_limits_may_not_be_usable():
    """At the highest drive compression is 0.01 dB within its limit; without that drive, of 16 V, it is 6 dB quieter."""
    rise = 1 + nonlinear_speaker.COPPER * nonlinear_speaker.warmth(np.array([1.0, 8.0, 16.0]))
    limit = 20 * np.log10(rise[0] / rise[2]) - 0.01
    found = by_id(usable_numbers(willow(calibration=0.01, repeated=True, usable={"compression": limit})))
    loudest = found["usable.loudest"]
    heat = 20 * np.log10(rise[2] / rise[1])
    assert loudest.interval[0] == pytest.approx(loudest.value - 20 * np.log10(2.0) + heat, abs=0.5)
    assert loudest.value <= loudest.interval[1] < loudest.value + 0.5
    sure = by_id(usable_numbers(willow(calibration=0.01, noise=np.nan, usable={"compression": limit})))[
        "usable.loudest"
    ]
    assert sure.uncertainty == pytest.approx(0.02, rel=0.2)


def test_a_fundamental_heard_too_loud_is_quieter_and_distorts_more_than_it_seems(monkeypatch):
    """One error of the microphone moves both against each other: a higher limit goes with a lower level at it."""
    given = willow(takes=False, microphone=0.3, octaves=2.0, noise=np.nan, usable={"compression": -20.0})
    data, seen = given.datasets["compression"], []
    real = usable_limits_uncertainty.uncertainties_of_draws
    monkeypatch.setattr(
        usable_limits_uncertainty,
        "uncertainties_of_draws",
        lambda errors, plain, draws, *others, **options: real(
            errors, plain, [seen.append(one) or one for one in draws], *others, **options
        ),
    )
    list(usable_numbers(given))
    last = int(np.flatnonzero(np.isfinite(data["held_level"].values))[-1])
    assert str(data["ruled_by"].values[last]) == "distortion"
    lowest, held = np.array([[one[f"lowest {last}"], one["held"]] for one in seen]).T
    # The level at the limit itself rises with its frequency; at one frequency it falls.
    level = np.interp(np.log2(lowest), np.log2(data["frequency"].values), data["level"].values[last])
    assert np.corrcoef(lowest, held - level)[0, 1] < -0.3


def test_usable_limits_are_withheld_with_reasons():
    assert by_id(usable_numbers(willow()))["usable.loudest"].uncertainty_reason == NOT_STATED
    assert by_id(usable_numbers(willow(repeated=True)))["usable.held"].uncertainty_reason == REPEATABILITY_ONLY
    given = willow(calibration=0.2)
    datasets = {name: one for name, one in given.datasets.items() if name != "harmonics"}
    without = by_id(usable_numbers(replace(given, datasets=datasets)))["usable.held"]
    assert "harmonics at single drives" in without.uncertainty_reason


def test_the_weights_of_a_level_are_those_of_its_power():
    """+10 dB has ten times the power; beyond the band nothing, and nothing where there is no level."""
    grid = np.array([100.0, 200.0, 400.0, 800.0])
    weight = band_power_weights(grid, np.array([80.0, 80.0, 90.0, 95.0]), 150.0, 550.0)
    assert weight[[0, 3]].tolist() == [0.0, 0.0] and weight.sum() == pytest.approx(1.0)
    octaves = np.log2([np.sqrt(2) * 200 / 150, 550 / (np.sqrt(2) * 200)])
    assert weight[2] / weight[1] == pytest.approx(10 * octaves[1] / octaves[0])
    assert band_power_weights(grid, np.full(4, np.nan), 150.0, 550.0).tolist() == [0.0] * 4
