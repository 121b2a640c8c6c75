"""How low a device is usable at each level: power laws whose crossings are known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.listening_level import listening_level_step, lowest_level
from anechain.acoustics.nonlinear.usable_limits import (
    RULES,
    distortion_limit_curve,
    frequency_at_level,
    lowest_usable,
    take_over,
)

FREQUENCY = np.geomspace(20.0, 10_000.0, 160)
FIVE = np.full(FREQUENCY.size, 5.0)
NONE = np.zeros(FREQUENCY.size)


def test_the_limit_curve():
    """10 % up to 100 Hz, 3 % from 200 Hz; between them straight over two log axes: 5.477 % half way."""
    found = distortion_limit_curve([20, 100, np.sqrt(2e4), 200, 5000])
    np.testing.assert_allclose(found, [10, 10, np.sqrt(30), 3, 3])
    with pytest.raises(ValueError, match="ascend"):
        distortion_limit_curve([100.0], [(200, 3), (100, 10)])
    with pytest.raises(ValueError, match="above zero"):
        distortion_limit_curve([100.0], [(200, 0)])


@given(st.floats(40, 400), st.floats(0.5, 6))
def test_distortion_that_falls_as_a_power_law(corner, power):
    """d = 5 % (f0 / f)^p crosses 5 % at f0."""
    distortion = 5.0 * (corner / FREQUENCY) ** power
    found = lowest_usable(FREQUENCY, distortion, distortion, FIVE, NONE)
    assert found.frequency_hz == pytest.approx(corner, rel=1e-9) and found.rule == "distortion"
    assert found.judged_to_hz == FREQUENCY[-1]


@given(st.floats(40, 400))
def test_compression_that_rises_with_the_octave(corner):
    """-1 dB at f0, one dB per octave."""
    found = lowest_usable(FREQUENCY, NONE, NONE, FIVE, np.minimum(np.log2(FREQUENCY / corner) - 1.0, 0.0))
    assert found.frequency_hz == pytest.approx(corner, rel=1e-9) and found.rule == "compression"


@pytest.mark.parametrize(("by_distortion", "by_compression"), [(80.0, 50.0), (50.0, 80.0), (80.0, 80.9), (80.9, 80.0)])
def test_the_higher_of_both_rules(by_distortion, by_compression):
    distortion = 5.0 * (by_distortion / FREQUENCY) ** 2
    delta = np.log2(FREQUENCY / by_compression) - 1.0
    found = lowest_usable(FREQUENCY, distortion, distortion, FIVE, np.minimum(delta, 0.0))
    assert found.frequency_hz == pytest.approx(max(by_distortion, by_compression), rel=1e-9)
    assert found.rule == ("distortion" if by_distortion > by_compression else "compression")


def test_from_there_upward():
    """Good below 60 Hz and bad at 100 Hz is bad up to there."""
    distortion = np.where((FREQUENCY > 90) & (FREQUENCY < 110), 20.0, 1.0)
    found = lowest_usable(FREQUENCY, distortion, distortion, FIVE, NONE)
    assert 100 < found.frequency_hz < 120 and found.rule == "distortion"


def test_what_is_not_known_is_not_good():
    lower, upper = np.where(FREQUENCY < 50, 0.0, 1.0), np.where(FREQUENCY < 50, 30.0, 1.0)
    found = lowest_usable(FREQUENCY, lower, upper, FIVE, NONE)
    assert found.rule == "not known" and 49 < found.frequency_hz < 53
    masked = np.where(FREQUENCY < 70, np.nan, 0.0)
    found = lowest_usable(FREQUENCY, lower, upper, FIVE, masked)
    assert found.rule == "not known" and found.frequency_hz == pytest.approx(FREQUENCY[FREQUENCY >= 70][0])
    nothing = lowest_usable(FREQUENCY, lower, upper, FIVE, np.nan * FREQUENCY)
    assert (nothing.frequency_hz, nothing.rule) == (None, "not known")


def test_the_ends_of_the_data():
    found = lowest_usable(FREQUENCY, NONE, NONE, FIVE, NONE)
    assert (found.frequency_hz, found.rule) == (FREQUENCY[0], "data end")
    bad = FIVE * 3
    nowhere = lowest_usable(FREQUENCY, bad, bad, FIVE, NONE)
    assert (nowhere.frequency_hz, nowhere.rule, nowhere.at_hz) == (None, "distortion", FREQUENCY[-1])
    assert lowest_usable(FREQUENCY, NONE, NONE, FIVE, NONE - 2).rule == "compression"
    # Harmonics beyond the measured band are missing at the top; what is above a stated end is not judged.
    top = np.where(FREQUENCY > 4000, np.nan, np.where(FREQUENCY > 1000, 20.0, 1.0))
    assert lowest_usable(FREQUENCY, top, top, FIVE, NONE).frequency_hz is None
    judged = lowest_usable(FREQUENCY, top, top, FIVE, NONE, up_to_hz=1000.0)
    assert judged.frequency_hz == FREQUENCY[0] and judged.judged_to_hz <= 1000.0
    assert {"distortion", "compression", "not known", "data end"} == set(RULES)


def test_the_level_held_throughout():
    level = 90 - 12 * np.log2(np.maximum(60 / FREQUENCY, 1))
    assert lowest_level(FREQUENCY, level, 60.0, 1000.0) == pytest.approx(90.0, abs=0.1)
    assert lowest_level(FREQUENCY, level, 30.0, 1000.0) == pytest.approx(78.0, abs=0.1)
    assert lowest_level(FREQUENCY, level, 10.0, 1000.0) is None
    # A rigid, tight room 8.58 m long has its lowest mode at 20 Hz: 10 lg 2 there, less above.
    assert lowest_level(FREQUENCY, 0 * level, 20.0, 40.0, 8.58) == pytest.approx(10 * np.log10(1 + 0.5**4), abs=1e-9)


@pytest.mark.parametrize(
    ("distance", "devices", "addition", "step"),
    [
        (1, 1, "incoherent", 0.0),
        (2, 1, "incoherent", -6.0206),
        (4, 2, "incoherent", -9.0309),
        (4, 2, "coherent", -6.0206),
        (10, 4, "coherent", -7.9588),
    ],
)
def test_distance_and_number(distance, devices, addition, step):
    """-20 lg d and 10 lg n or 20 lg n by dB arithmetic."""
    assert listening_level_step(distance, devices, addition) == pytest.approx(step, abs=5e-5)


def test_what_listening_needs():
    for bad in ((0.0, 1, "coherent"), (1.0, 0, "coherent"), (1.0, 1, "somehow")):
        with pytest.raises(ValueError):
            listening_level_step(*bad)


def test_the_frequency_at_a_wanted_level_lies_between_measured_ones():
    levels, lowest = [80.0, 90.0, 100.0], [40.0, 80.0, np.nan]
    assert frequency_at_level(levels, lowest, 85.0) == pytest.approx(np.sqrt(40 * 80))
    assert frequency_at_level(levels, lowest, 90.0) == pytest.approx(80.0)
    assert frequency_at_level(levels, lowest, 95.0) is None
    assert frequency_at_level(levels, lowest, 70.0) is None


@pytest.mark.parametrize(("lowest", "suggested"), [(60.0, 63.0957), (63.0957, 63.0957), (81.0, 100.0), (99.0, 100.0)])
def test_the_suggestion_is_the_next_third_octave(lowest, suggested):
    """Exact mid-band frequencies of IEC 61260-1: 10^(n/10)."""
    assert take_over(lowest) == pytest.approx(suggested, rel=1e-4)
