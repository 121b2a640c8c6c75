"""Every flaw of a set of responses is found by its check, and by no other; a flawless set passes all."""

import numpy as np
import pytest

from anechain.data.checks import BAD, DOUBTFUL, GOOD, NOT_MADE
from anechain.importing.response_checks import METHODS, check_responses
from flawed_orbits import ANGLES, DISTANCE, FORWARD, FREQUENCY, at, measured, orbits


def checks(responses):
    return {check.id: check for check in check_responses(responses)}


def only(found, *ids):
    """Verdicts of the named checks; all others are good or not made."""
    others = {id: f"{check.verdict}: {check.found} {check.where}" for id, check in found.items() if id not in ids}
    assert all(text.startswith((GOOD, NOT_MADE)) for text in others.values()), others
    return [found[id].verdict for id in ids]


def test_a_clean_set_passes_all():
    found = checks(orbits())
    assert only(found) == []
    assert {id for id, check in found.items() if check.verdict == NOT_MADE} == {
        *("repeats", "distance-law", "copied-takes"),
        *("declared-band", "sensitivity-range", "stronger-side"),
    }
    assert "(-2.5%)" in found["distance"].found and "343.2 m/s at 20 °C" in found["distance"].found
    assert all(found[id].series is not None for id in ("arrival-drift", "mirror", "neighbours"))


def test_the_source_before_the_centre_is_measured():
    """5 cm before it, 2 m away: 20 lg (2.05 / 1.95) = 0.43 dB."""
    found = checks(orbits())["rotation-centre"]
    metres = float(found.found.partition("horizontal: ")[2].partition(" m")[0])
    assert metres == pytest.approx(FORWARD, abs=2e-3)
    assert found.values[0][1] == pytest.approx(20 * np.log10((DISTANCE + FORWARD) / (DISTANCE - FORWARD)), abs=0.03)


def test_an_echo_of_the_set_up():
    """A boom at rest: a copy 0.4 m later, 22 dB down, in all directions."""
    responses = orbits()
    comb = 20 * np.log10(np.abs(1 + 0.08 * np.exp(-2j * np.pi * FREQUENCY * 0.4 / 343.2)))
    responses["level"] += comb
    found = checks(responses)
    assert only(found, "echo") == [DOUBTFUL]
    ((place, level),) = found["echo"].values
    assert float(place.removesuffix(" ms")) == pytest.approx(400 / 343.2, rel=0.03)
    assert level == pytest.approx(-22, abs=1.0)
    one = checks(orbits().isel(plane=[0]))["echo"]
    assert one.verdict == NOT_MADE and "each orbit" in one.reason


def test_a_wrong_distance():
    responses = orbits()
    responses.attrs["measured_distance"] = 1.5
    assert only(checks(responses), "distance") == [DOUBTFUL]
    assert checks(orbits(latency=0.002))["distance"].verdict == DOUBTFUL


def test_the_air_counts():
    """At -20 °C sound is slower by 7 %, so that the same arrivals stand for less."""
    responses = orbits()
    responses.attrs["temperature"] = -20.0
    found = checks(responses)["distance"]
    assert found.verdict == DOUBTFUL and found.values[0][1] == pytest.approx(100 * (1 - 1.95 / 2 * 0.9293), abs=0.1)


def test_one_arrival_astray():
    responses = orbits()
    responses["arrival"][0, at(-50)] += 0.0006
    found = checks(responses)
    assert only(found, "arrival-drift") == [BAD]
    assert found["arrival-drift"].where == ("horizontal -50°",)


@pytest.mark.parametrize("angle", [30, 60, 90])
@pytest.mark.parametrize("plane", ["horizontal", "vertical"])
def test_a_label_ten_degrees_off(plane, angle):
    responses = orbits()
    row = ("horizontal", "vertical").index(plane)
    responses["level"][row, at(angle)] = measured(plane, [angle + 10.0])[0][0]
    found = checks(responses)
    assert only(found, "label", "neighbours", "mirror")[0] == BAD
    assert found["label"].where == (f"{plane} {angle}°",)
    assert f"fits at {angle + 10}" in found["label"].found or f"fits at {angle + 9}" in found["label"].found


@pytest.mark.parametrize("pair", [(30, 40), (-60, -50), (20, 80), (-90, 30)])
def test_two_files_exchanged(pair):
    responses = orbits()
    levels = responses["level"].values
    levels[0, [at(pair[0]), at(pair[1])]] = levels[0, [at(pair[1]), at(pair[0])]]
    found = checks(responses)
    assert only(found, "swapped", "neighbours", "mirror")[0] in (DOUBTFUL, BAD)
    assert found["swapped"].where == (f"horizontal {min(pair)}° and {max(pair)}°",)


def test_one_side_attenuated():
    responses = orbits()
    responses["level"][0, (ANGLES > 0) & (ANGLES < 180)] -= 3.0
    found = checks(responses)
    assert only(found, "mirror", "neighbours")[0] in (DOUBTFUL, BAD)
    # Less than 3 dB where levels 15 dB under the greatest are filled up.
    assert float(found["mirror"].found.rpartition("left minus right ")[2].partition(" dB")[0]) == pytest.approx(
        -2.6, abs=0.4
    )


@pytest.mark.parametrize("step", [-2.5, 2.5])
def test_one_file_at_another_gain(step):
    responses = orbits()
    responses["level"][1, at(-30)] += step
    found = checks(responses)
    assert only(found, "neighbours", "label", "swapped")[0] == BAD
    assert found["neighbours"].where[0] == "vertical -30°" and found["label"].verdict == GOOD


@pytest.mark.parametrize("pole", [0, 180])
def test_a_wrong_file_at_a_pole(pole):
    responses = orbits()
    responses["level"][1, at(pole)] = measured("vertical", [40.0])[0][0]
    found = checks(responses)
    assert only(found, "pole-level", "label", "neighbours", "swapped", "mirror")[0] == BAD
    assert found["pole-level"].where == (f"{pole}°",)


def test_arrivals_that_disagree_at_the_pole():
    responses = orbits()
    responses["arrival"][1] += 0.0003
    assert only(checks(responses), "pole-arrival") == [BAD]


@pytest.mark.parametrize(("wrong", "verdict"), [(0.0, GOOD), (0.9, DOUBTFUL), (2.0, BAD)])
def test_distance_law_between_the_planes(wrong, verdict):
    """One orbit at 2 m, the other at 2.2 m: 20 lg (2.15 / 1.95) = 0.85 dB, the source being 5 cm nearer."""
    responses = orbits(distances=(2.0, 2.2))
    responses["level"][0] += wrong
    found = checks(responses)
    assert found["distance-law"].verdict == verdict
    assert dict(found["distance-law"].values)["0°"] == pytest.approx(wrong, abs=0.1)


def test_repeated_takes():
    responses = orbits()
    spread = np.full(responses["level"].shape, np.nan)
    spread[0, at(0)], spread[0, at(20)] = 0.1, 0.8
    responses["level_std"] = (("plane", "angle", "frequency"), spread)
    found = checks(responses)
    assert only(found, "repeats") == [DOUBTFUL] and found["repeats"].where == ("horizontal 20°",)


def test_arrivals_from_the_phase():
    """The same answers where the delay is in the phase, -360 f t, as exports of analysers have it."""
    responses = orbits()
    delay = responses["arrival"].values
    phase = -360 * FREQUENCY * delay[..., np.newaxis]
    responses["phase"] = (("plane", "angle", "frequency"), 180 - (180 - phase) % 360)
    alone = checks(responses.drop_vars("arrival"))
    both = checks(responses)
    assert alone["distance"].values[0][1] == pytest.approx(both["distance"].values[0][1], abs=0.2)
    assert alone["rotation-centre"].values[0][1] == pytest.approx(both["rotation-centre"].values[0][1], abs=0.05)
    responses["phase"] = 0 * responses["phase"]
    assert checks(responses.drop_vars("arrival"))["distance"].reason == "the phase contains no delay"


def test_what_cannot_be_made_says_so():
    responses = orbits().drop_vars("arrival")
    found = checks(responses)
    for id in ("distance", "rotation-centre", "arrival-drift", "pole-arrival"):
        assert found[id].verdict == NOT_MADE and "do not state when" in found[id].reason
    one = checks(responses.isel(plane=[1], angle=[at(0), at(10)]))
    made = {id for id, check in one.items() if check.verdict != NOT_MADE}
    assert made == {"frequency-range", "copied-directions"}
    assert one["mirror"].reason == "no horizontal orbit" and one["pole-level"].reason == "one orbit only"
    copied = responses.copy(deep=True)
    copied["level"][1, [at(0), at(180)]] = copied["level"].values[0, [at(0), at(180)]]
    assert "one orbit only" in checks(copied)["pole-level"].reason


def test_the_methods_named_exist():
    from anechain.methods import methods

    assert set(METHODS) <= methods().keys()


def test_a_real_loudspeaker_passes_and_its_exchanged_files_are_named():
    """Two-way loudspeaker of the open BRAS database, as spherical harmonics in third octaves."""
    import xarray as xr

    from flawed_orbits import PLANES, vectors
    from real_loudspeaker import load

    loudspeaker = load()
    level = np.stack([loudspeaker.levels(vectors(plane, ANGLES)) for plane in PLANES])
    known = np.isfinite(level).all(axis=(0, 1))
    responses = xr.Dataset(
        {
            "level": (("plane", "angle", "frequency"), level[..., known]),
            "measured": (("plane", "angle"), np.ones(level.shape[:2], np.int8)),
        },
        coords={"plane": list(PLANES), "angle": ANGLES, "frequency": loudspeaker.frequency[known]},
    )
    assert only(checks(responses)) == []
    levels = responses["level"].values
    levels[0, [at(30), at(40)]] = levels[0, [at(40), at(30)]]
    assert checks(responses)["swapped"].where == ("horizontal 30° and 40°",)
