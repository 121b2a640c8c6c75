"""Responses that cannot be those of the device: wrong units, scales, bands and sides, and copies."""

import numpy as np
import pytest

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.assemble import Curve, assemble_responses
from anechain.campaign.file import StrongerSide
from anechain.data.checks import BAD, DOUBTFUL, GOOD, NOT_MADE, with_limits
from anechain.importing.response_checks.plausibility import check_plausibility
from flawed_orbits import ANGLES, FREQUENCY, at, orbits

SETUP = {"measured_drive": 2.83, "valid_low": 150.0, "valid_high": 14000.0}
LEFT = StrongerSide(side="left", band=(2000, 10000))


def responses(**attributes):
    data = orbits()
    data.attrs |= SETUP | attributes
    return data


def checks(data, side=LEFT):
    return {check.id: check for check in check_plausibility(data, side)}


def verdicts(data, side=LEFT):
    return {id: check.verdict for id, check in checks(data, side).items() if check.verdict not in (GOOD, NOT_MADE)}


def test_a_plausible_device_passes_all():
    found = checks(responses())
    assert {id for id, check in found.items() if check.verdict == NOT_MADE} == {"copied-takes"}
    assert verdicts(responses()) == {}


@pytest.mark.parametrize(
    ("change", "verdict"), [(-20.0, DOUBTFUL), (20.0, DOUBTFUL), (-40.0, BAD), (40.0, BAD)], ids=str
)
def test_a_sensitivity_wrong_by_powers_of_ten(change, verdict):
    """86 dB less 20 lg 1.95 m for its distance, about 80 dB: a factor of ten of the microphone is 20 dB."""
    data = responses()
    data["level"] += change
    expected = {"sensitivity-range": verdict}
    # 80 + 20 dB is plausible by itself, and a louder device would not be.
    assert verdicts(data) == (expected if change != 20.0 else {})
    limits = {"sensitivity-range": (5.0, 10.0)}
    strict = with_limits(checks(data)["sensitivity-range"], limits)
    assert strict.verdict == BAD


def test_pascals_read_as_levels():
    data = responses()
    data["level"] = REFERENCE_PRESSURE * 10 ** (data["level"] / 20)
    assert verdicts(data) == {"sensitivity-range": BAD, "level-range": BAD}


@pytest.mark.parametrize("factor", [1e-3, 1e3], ids=["kilohertz as hertz", "hertz as kilohertz"])
def test_frequencies_in_a_wrong_unit(factor):
    data = responses().assign_coords(frequency=FREQUENCY * factor)
    found = verdicts(data)
    assert found["frequency-range"] == BAD and found["declared-band"] == BAD
    assert "another unit" in checks(data)["frequency-range"].found


def test_data_that_end_within_the_declared_band():
    cut = responses(valid_high=20000.0).sel(frequency=slice(None, 1800.0))
    check = checks(cut)["declared-band"]
    assert check.verdict == BAD
    ((_, below), (place, above)) = check.values
    last = float(cut["frequency"][-1])
    assert below == 0 and above == pytest.approx(np.log2(20000 / last), abs=1e-3) and f"above {last:g} Hz" == place
    undeclared = responses()
    del undeclared.attrs["valid_high"]
    assert checks(undeclared)["declared-band"].verdict == NOT_MADE


def test_a_copied_direction():
    data = responses()
    data["level"][0, at(40)] = data["level"][0, at(30)]
    assert verdicts(data) == {"copied-directions": BAD}
    assert checks(data)["copied-directions"].where == ("horizontal 30°, 40°",)


def test_one_side_copied_to_the_other():
    """One pair alike is a copy; all pairs alike are a simulation of a symmetric device."""
    data = responses()
    data["level"][0, at(-50)] = data["level"][0, at(50)]
    assert verdicts(data, None) == {"copied-directions": BAD}
    for angle in ANGLES[(ANGLES > 0) & (ANGLES < 180)]:
        data["level"][:, at(-angle)] = data["level"][:, at(angle)]
    assert verdicts(data, None) == {}


def test_exchanged_sides_against_the_declared_one():
    """The cap is tilted by 3 degrees to the left, and so is its beam."""
    assert checks(responses())["stronger-side"].verdict == GOOD
    data = responses()
    # 180 degrees has no other side; the rest is turned over.
    data["level"][0, : ANGLES.size - 1] = data["level"].values[0, : ANGLES.size - 1][::-1]
    assert verdicts(data) == {"stronger-side": BAD}
    assert verdicts(data, StrongerSide(side="right", band=(2000, 10000))) == {}
    up = StrongerSide(side="up", band=(2000, 10000))
    assert checks(responses(), up)["stronger-side"].verdict == GOOD
    assert checks(responses().isel(plane=[0]), up)["stronger-side"].reason == "no vertical orbit"
    assert checks(responses().sel(angle=slice(0, None)))["stronger-side"].verdict == NOT_MADE


def test_copied_takes_are_named():
    level = np.linspace(80, 90, 5)
    curves = [
        Curve(
            "horizontal", angle, np.geomspace(100, 1600, 5), level + angle + step, source=f"{angle:g} {take}", take=take
        )
        for angle in (0.0, 30.0)
        for take, step in (("a", 0.0), ("b", 0.1), ("c", 0.0 if angle else 0.2))
    ]
    data = assemble_responses(curves, [])
    assert data.attrs["copied_takes"] == "horizontal 30°: 30 c as 30 a"
    check = checks(data)["copied-takes"]
    assert check.verdict == BAD and check.found == "6 takes, 1 with the levels of another"
    whole = assemble_responses(curves[:3], [])
    assert "copied_takes" not in whole.attrs and checks(whole)["copied-takes"].verdict == GOOD


def test_what_cannot_be_judged_says_why():
    found = checks(responses(level_kind="relative").isel(frequency=slice(0, 5)), None)
    for id, words in {
        "sensitivity-range": "relative",
        "level-range": "octaves",
        "stronger-side": "no stronger side is declared",
        "copied-takes": "one take",
    }.items():
        assert found[id].verdict == NOT_MADE and words in found[id].reason
