"""Numbers of time and phase of a loudspeaker in closed form: a crossover, a resonance, a reversed tweeter."""

import numpy as np
import pytest

from anechain.campaign.numbers import Numbers
from anechain.figure_of_merit import timing
from anechain.figure_of_merit.axis_timing import NO_AXIS, NO_PHASE, TOO_FEW, axis_timing
from axis_responses import inputs_of, responses
from phase_systems import (
    GRID,
    band_pass,
    delayed,
    filtered,
    first_order_delay,
    linkwitz_riley_sum,
    second_order_delay,
)

TRAVEL = 2 / 343.2


def numbers_of(measured, options=None):
    inputs = inputs_of(measured, options)
    return {number.id: number for number in timing.numbers(inputs, axis_timing(inputs))}


@pytest.fixture(scope="module")
def two_way():
    """Linkwitz-Riley crossover at 2 kHz after 2 m of travel."""
    return numbers_of(responses(delayed(band_pass(GRID) * linkwitz_riley_sum(GRID, 2000.0), GRID, TRAVEL)))


def test_the_ids_are_always_the_same(two_way):
    without = numbers_of(responses(band_pass(GRID), with_phase=False))
    assert [*without] == [*two_way] and {number.reason for number in without.values()} == {NO_PHASE}
    assert all(number.value is not None and number.method and number.source for number in two_way.values())


def test_a_linkwitz_riley_crossover_is_late_below_itself(two_way):
    """Closed form: (2 sqrt 2 / w0)(1 + x²)/(1 + x⁴) has its maximum at x² = sqrt 2 - 1; within 10 us, in the
    expanded uncertainty."""
    at = 2000 * np.sqrt(np.sqrt(2) - 1)
    found = two_way["timing.excess.largest"]
    assert found.value == pytest.approx(1e3 * second_order_delay(at, 2000.0), abs=0.01)
    assert abs(found.value - 1e3 * second_order_delay(at, 2000.0)) < found.uncertainty + 0.008
    assert found.marks[0].low_hz == pytest.approx(at, rel=0.1) and "at 1.3 kHz" in found.note


def test_its_share_of_the_threshold(two_way):
    """At most at 1.4 to 2 kHz, where the threshold falls to 1 ms (Blauert and Laws 1978; recalled)."""
    grid = np.geomspace(500, 8000, 500)
    threshold = np.interp(np.log(grid), np.log([500, 1000, 2000, 4000, 8000]), [3.2, 2.0, 1.0, 1.5, 2.0])
    share = (1e3 * second_order_delay(grid, 2000.0) / threshold).max()
    assert two_way["timing.excess.audibility"].value == pytest.approx(share, abs=0.02)


def test_its_octave_bands_are_apart_by_the_delay(two_way):
    """The octave about 8 kHz comes first, with 0.02 ms; between 250 Hz and 1 kHz there are 0.22 to 0.27 ms."""
    found = two_way["timing.arrival.spread"]
    assert found.value == pytest.approx(0.25, abs=0.02)
    assert found.note.startswith("8 kHz first, 1 kHz last")
    assert "with the minimum phase the spread is" in found.note


def test_both_ends_are_positive(two_way):
    assert two_way["timing.polarity.high"].value == two_way["timing.polarity.low"].value == "positive"


def test_a_reversed_tweeter_and_a_reversed_loudspeaker():
    low, high = (filtered(kind, 1, 2000.0, GRID) ** 2 for kind in ("lowpass", "highpass"))
    found = numbers_of(responses(delayed(band_pass(GRID) * (low - high), GRID, TRAVEL)))
    assert (found["timing.polarity.low"].value, found["timing.polarity.high"].value) == ("positive", "negative")
    expected = 1e3 * first_order_delay(200.0, 2000.0)
    assert found["timing.excess.largest"].value == pytest.approx(expected, abs=0.02)
    reversed_ = numbers_of(responses(-delayed(band_pass(GRID), GRID, TRAVEL)))
    assert reversed_["timing.polarity.low"].value == reversed_["timing.polarity.high"].value == "negative"
    assert abs(reversed_["timing.excess.largest"].value) < 0.02


def test_a_resonance_goes_on():
    """27.29 / Q dB per period; 10 dB below the rest it passes 30 dB after 20 dB of its own decay, and less."""
    response = band_pass(GRID) * (1 + 10**-0.5 / (1 + 20j * (GRID / 800 - 800 / GRID)))
    found = numbers_of(responses(response))["timing.decay.slowest"]
    assert found.marks[0].low_hz == pytest.approx(800, rel=0.04) and found.unit == "periods"
    assert 5 < found.value < 20 * 20 / 27.29
    assert found.bound == "" and "ms" in found.note
    half = numbers_of(responses(response), Numbers.model_validate({"timing": {"decay_drop": 20}}))
    assert half["timing.decay.slowest"].title.startswith("Slowest decay by 20 dB")
    assert half["timing.decay.slowest"].value < found.value


def test_a_gated_measurement_states_what_it_does_not_know():
    """From 200 Hz: a burst at 300 Hz lasts longer than 5 ms, and the box is unknown to the excess phase."""
    gated = GRID >= 200
    found = numbers_of(responses(band_pass(GRID)[gated], GRID[gated], (200.0, 20_000.0)))
    decay, excess = found["timing.decay.slowest"], found["timing.excess.largest"]
    assert decay.bound == "at least" and "not known at" in decay.note
    assert abs(excess.value) < excess.uncertainty <= 0.2 and "known from" in excess.note
    # One over f²: the box below 200 Hz makes 0.1 ms of standard uncertainty at about 0.7 kHz.
    assert 500 < excess.marks[0].low_hz < 1000
    spread = found["timing.arrival.spread"]
    assert abs(spread.value) < spread.uncertainty and "500 Hz" not in spread.note
    assert found["timing.polarity.low"].value == "positive"
    # Two octaves above the gate the box can no longer turn the phase to the other sign.
    assert 400 < float(found["timing.polarity.low"].note.split()[0]) < 1200


def test_why_nothing_is_known():
    narrow = responses(band_pass(GRID), valid=(500.0, 2000.0))
    thirds = responses(band_pass(GRID[::16]), GRID[::16])
    single = responses(band_pass(GRID), valid=(999.0, 1001.0))
    assert {axis_timing(inputs_of(few)) for few in (narrow, thirds, single)} == {TOO_FEW}
    beside = responses(band_pass(GRID))
    beside = beside.isel(angle=np.flatnonzero(beside["angle"].values != 0))
    assert axis_timing(inputs_of(beside)) == NO_AXIS
    noise = np.random.default_rng(1).uniform(-np.pi, np.pi, GRID.size)
    reason = axis_timing(inputs_of(responses(band_pass(GRID) * np.exp(1j * noise))))
    assert isinstance(reason, str) and "shorter time window" in reason


def test_a_band_that_is_uncertain_is_a_gap():
    gated = GRID >= 200
    measured = responses(band_pass(GRID)[gated], GRID[gated], (200.0, 20_000.0))
    found = numbers_of(measured, Numbers.model_validate({"timing": {"band": [210.0, 320.0]}}))
    assert found["timing.excess.largest"].reason == "uncertain by more than 0.1 ms, 210 to 320 Hz"
    assert "fewer than two octave bands" in found["timing.arrival.spread"].reason
    assert "no decay by 30 dB is known" in found["timing.decay.slowest"].reason
