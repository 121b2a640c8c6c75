from dataclasses import replace

import numpy as np
import pytest

from anechain.assemble import Curve, assemble_responses, assemble_sphere
from anechain.errors import InputError

FREQUENCY = np.array([100.0, 1000.0, 10000.0])


def cardioid(plane, angle, phase=None, frequency=FREQUENCY, source=""):
    """First-order directivity 0.5 (1 + cos) in dB: closed form, the same in both planes, no level at 180 degrees."""
    gain = 0.5 * (1 + np.cos(np.deg2rad(angle)))
    level = np.full(frequency.size, 20 * np.log10(max(gain, 1e-6)))
    return Curve(plane, angle, frequency, level, phase, source or f"{plane} {angle}")


def test_curves_land_at_their_direction_in_any_order():
    angles = (-90, 30, 0, 180)
    curves = [cardioid(plane, angle) for plane in ("vertical", "horizontal") for angle in angles]
    report = []
    data = assemble_responses(curves, report)
    assert data.level.dims == ("plane", "angle", "frequency")
    assert data.plane.values.tolist() == ["horizontal", "vertical"]
    assert data.angle.values.tolist() == [-90, 0, 30, 180]
    assert report == []
    # 0.5 (1 + cos 90) = 1/2: 6.0206 dB down.
    np.testing.assert_allclose(data.level.sel(angle=-90), -6.0206, atol=5e-5)
    np.testing.assert_array_equal(data.frequency, FREQUENCY)
    assert (data.measured == 1).all()
    assert "phase" not in data


def test_a_direction_of_one_orbit_only_is_a_gap_on_the_other():
    data = assemble_responses([cardioid("horizontal", 0), cardioid("vertical", 0), cardioid("horizontal", 40)], [])
    assert np.isnan(data.level.sel(plane="vertical", angle=40)).all()
    assert data.measured.sel(plane="vertical", angle=40) == 0
    assert data.measured.sel(plane="horizontal", angle=40) == 1


@pytest.mark.parametrize("pole", [0.0, 180.0])
@pytest.mark.parametrize(("having", "lacking"), [("horizontal", "vertical"), ("vertical", "horizontal")])
def test_a_pole_stands_for_both_orbits_and_is_said(pole, having, lacking):
    report = []
    curves = [cardioid(having, pole, phase=np.array([1.0, 2, 3])), cardioid(lacking, 90, phase=np.array([4.0, 5, 6]))]
    data = assemble_responses(curves, report)
    for name in ("level", "phase", "measured"):
        np.testing.assert_array_equal(
            data[name].sel(plane=having, angle=pole), data[name].sel(plane=lacking, angle=pole)
        )
    assert report == [
        f"{pole:g}° is measured on the {having} orbit only; it is the same direction on the {lacking} orbit"
    ]


def test_one_orbit_alone_stays_alone():
    data = assemble_responses([cardioid("vertical", 0), cardioid("vertical", 10)], [])
    assert data.plane.values.tolist() == ["vertical"]


@pytest.mark.parametrize(("given", "stored"), [(-180, 180), (350, -10), (360, 0), (-180 + 1e-9, 180), (-1e-9, 0)])
def test_angles_are_wrapped(given, stored):
    angle = assemble_responses([cardioid("horizontal", given)], []).angle.values
    assert angle.tolist() == [stored]
    assert not np.signbit(angle[stored == 0]).any() if stored == 0 else True


@pytest.mark.parametrize(("one", "other"), [(30, 30), (-180, 180), (0, 360), (-10, 350), (-180 + 1e-9, 180)])
def test_a_direction_given_twice_is_refused(one, other):
    with pytest.raises(InputError, match="given twice, the first time by a") as refused:
        assemble_responses([cardioid("vertical", one, source="a"), cardioid("vertical", other, source="b")], [])
    assert [problem.where for problem in refused.value.problems] == ["b"]


def test_every_odd_grid_is_named_and_no_other():
    odd = cardioid("horizontal", 0, frequency=FREQUENCY[:2], source="short")
    shifted = cardioid("horizontal", 40, frequency=FREQUENCY * np.array([1, 1.01, 1]), source="shifted")
    usual = [cardioid("horizontal", angle, source=f"usual {angle}") for angle in (10, 20, 30)]
    with pytest.raises(InputError) as refused:
        assemble_responses([odd, *usual, shifted], [])
    said = {problem.where: problem.what for problem in refused.value.problems}
    assert said == {
        "short": "2 frequencies, but usual 10 has 3",
        "shifted": "frequency 2 is 1010 Hz, but 1000 Hz in usual 10",
    }


def test_grids_that_differ_by_rounding_are_one_grid():
    near = cardioid("horizontal", 10, frequency=FREQUENCY * (1 + 5e-7))
    assert assemble_responses([cardioid("horizontal", 0), near], []).sizes["frequency"] == 3


def test_grids_and_duplicates_are_refused_together():
    curves = [cardioid("horizontal", 0), cardioid("horizontal", 0), cardioid("horizontal", 5, frequency=FREQUENCY[1:])]
    with pytest.raises(InputError) as refused:
        assemble_responses(curves, [])
    assert len(refused.value.problems) == 2


def test_phase_is_kept_wrapped_or_dropped_and_said():
    turns = np.array([190.0, -180.0, 720.0])
    whole = assemble_responses([cardioid("horizontal", 0, phase=turns)], [])
    np.testing.assert_allclose(whole.phase[0, 0], [-170, 180, 0])
    report = []
    part = assemble_responses([cardioid("horizontal", 0, phase=turns), cardioid("horizontal", 10)], report)
    assert "phase" not in part
    assert report == ["phase dropped: only 1 of 2 directions have one"]


def test_mistakes_of_a_programmer_are_no_refusals():
    with pytest.raises(ValueError, match="no curve"):
        assemble_responses([], [])
    with pytest.raises(ValueError, match="plane 'tilted'"):
        assemble_responses([cardioid("tilted", 0)], [])


def test_a_sphere():
    # Six directions along the axes, each for a sixth of the sphere.
    azimuth, elevation = np.array([0.0, 90, 180, -90, 0, 0]), np.array([0.0, 0, 0, 0, 90, -90])
    level = np.arange(18.0).reshape(6, 3)
    data = assemble_sphere(azimuth, elevation, FREQUENCY, level, np.full(6, 1 / 6))
    assert data.level.dims == ("direction", "frequency")
    assert float(data.weight.sum()) == pytest.approx(1)
    np.testing.assert_array_equal(data.azimuth, azimuth)
    np.testing.assert_array_equal(data.elevation, elevation)
    np.testing.assert_array_equal(data.level, level)


def test_the_delay_that_a_phase_has_removed_stays_beside_it():
    """A source at the centre of the orbits, 1 m and 2 m away at 343.2 m/s: the poles stand for both planes."""
    late = {("horizontal", 0): 1 / 343.2, ("horizontal", 90): 2 / 343.2, ("vertical", -90): 2 / 343.2}
    curves = [replace(cardioid(*where, phase=np.zeros(3)), arrival=time) for where, time in late.items()]
    data = assemble_responses(curves, [])
    assert data.arrival.dims == ("plane", "angle")
    np.testing.assert_array_equal(data.arrival, [[np.nan, 1 / 343.2, 2 / 343.2], [2 / 343.2, 1 / 343.2, np.nan]])
    assert "arrival" not in assemble_responses([*curves, cardioid("vertical", 40, phase=np.zeros(3))], [])


def takes_of(plane, angle, offsets, **more):
    """Takes of the cardioid, each with its own offset in dB at all frequencies."""
    base = cardioid(plane, angle, **more)
    return [
        replace(base, level=base.level + offset, take=str(number), source=f"{base.source} take {number}")
        for number, offset in enumerate(offsets, start=1)
    ]


def test_takes_of_a_direction_are_joined_and_counted():
    """Three takes of 0, 1 and 2 dB more: a mean square of (1 + 1.258925 + 1.584893) / 3, 1.07642 dB; spread 1 dB."""
    report = []
    curves = [*takes_of("horizontal", 0, (0, 1, 2)), *takes_of("horizontal", 90, (0.5,)), cardioid("vertical", 40)]
    data = assemble_responses(curves[::-1], report)
    np.testing.assert_allclose(data.level.sel(plane="horizontal", angle=0), 1.07642, atol=1e-5)
    np.testing.assert_allclose(data.level_std.sel(plane="horizontal", angle=0), 1.0)
    np.testing.assert_allclose(data.level.sel(plane="horizontal", angle=90), -6.0206 + 0.5, atol=5e-5)
    # By angle 0, 40, 90; the pole stands for both orbits, with its takes.
    assert data.takes.values.tolist() == [[3, 0, 1], [3, 1, 0]]
    assert np.isnan(data.level_std.values[:, 1:]).all() and np.isfinite(data.level_std.values[:, 0]).all()
    said = "\n".join(report)
    assert "3 takes of 1 of 3 directions (horizontal 0°); 1 take of 2 of 3 directions (horizontal 90°, vertical" in said
    assert "largest standard deviation of takes: 1 dB, horizontal 0°, 100 Hz (3 takes)" in said


def test_single_takes_are_as_if_they_had_no_name():
    named = assemble_responses([*takes_of("horizontal", 0, (0,)), *takes_of("horizontal", 90, (0,))], [])
    assert named.identical(assemble_responses([cardioid("horizontal", 0), cardioid("horizontal", 90)], []))


def test_takes_carry_phase_and_arrival_where_all_have_them():
    """A source heard at 2 m and at 2.01 m, each phase counted from its own arrival at 343.2 m/s."""
    phases, arrivals = ([10.0, 40, 0], [20.0, 50, 120]), (2 / 343.2, 2.01 / 343.2)
    curves = [
        replace(take, phase=np.array(phase), arrival=arrival)
        for take, phase, arrival in zip(takes_of("horizontal", 0, (0, 0)), phases, arrivals, strict=True)
    ]
    report = []
    data = assemble_responses(curves, report)
    np.testing.assert_allclose(data.phase[0, 0], [15, 45, np.nan])
    assert float(data.arrival[0, 0]) == pytest.approx(2.005 / 343.2)
    assert "phase missing where the phases of takes differ too much: horizontal 0° at 1 frequencies" in report
    report = []
    data = assemble_responses([curves[0], replace(curves[1], phase=None, arrival=None)], report)
    assert "phase" not in data and "arrival" not in data and "level_std" in data
    assert "phase dropped: only 0 of 1 directions have one" in report


@pytest.mark.parametrize(("one", "other"), [("", ""), ("1", ""), ("", "1"), ("1", "1")])
def test_takes_that_are_not_told_apart_are_refused(one, other):
    curves = [
        replace(cardioid("horizontal", 30, source=source), take=take) for source, take in (("a", one), ("b", other))
    ]
    with pytest.raises(InputError, match="horizontal 30° is given twice, the first time by a") as refused:
        assemble_responses(curves, [])
    assert [problem.where for problem in refused.value.problems] == ["b"]
    assert "{take}" in refused.value.problems[0].fix
