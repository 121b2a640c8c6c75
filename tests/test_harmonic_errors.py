"""Errors of harmonic orders, against first order by hand (GUM) and against decibels by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.harmonic_errors import (
    OrderErrors,
    draw_order_errors,
    draw_sum_ratio,
    order_noise_uncertainty,
    order_power_shares,
    sounding_frequencies,
    sum_uncertainty,
)
from anechain.acoustics.nonlinear.level_slopes import LevelSlopes, slopes_at_take, slopes_between
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors

PER_DB = np.log(10) / 20
"""Relative change of an amplitude per decibel: 1 dB is 12.2 %, to first order 11.5 %."""


def at(frequency, orders, broadband_error=0.0, response=0.0, own=0.0, draws=4000, octaves=1.0):
    """One capture, with errors by frequency."""
    grid = np.asarray(frequency, float)
    every, first, order = sounding_frequencies(grid, orders, np.ones((len(orders), grid.size), bool))

    def sized(value):
        return np.asarray(value(every) if callable(value) else np.full(every.size, float(value)))

    errors = DirectionErrors(
        frequency=every,
        broadband_error=sized(broadband_error),
        response=sized(response),
        own=sized(own)[np.newaxis],
        angle_error=np.zeros((1, every.size)),
        shares={"one": np.ones((1, every.size))},
        own_octaves=octaves,
        response_octaves=octaves,
        draws=draws,
    )
    return OrderErrors(errors, first, order)


def both(errors, level, slopes=None, noise=0.0, over=None):
    """Relative standard uncertainty of the sum at the first frequency: to first order, and drawn."""
    shares = order_power_shares(level)
    noises = np.broadcast_to(np.asarray(noise, float), shares.shape)
    over = np.eye(shares.shape[1])[0] if over is None else over
    first = sum_uncertainty(errors, "one", shares, over, noises, slopes)
    drawn = draw_sum_ratio(shares, draw_order_errors(errors, "one", noises, slopes))[:, 0]
    return first, float(drawn.std(ddof=1))


def test_sounding_frequencies_are_those_of_the_orders():
    every, first, order = sounding_frequencies([100.0, 200.0], (2, 3), [[True, True], [True, False]])
    assert every.tolist() == [100.0, 200.0, 300.0, 400.0]
    assert every[first].tolist() == [100.0, 200.0]
    assert every[order].tolist() == [[200.0, 400.0], [300.0, 200.0]]


def test_of_a_cubic_device_a_level_off_by_so_much_moves_distortion_by_twice_that():
    """x + c x^3: the third order rises 3 dB per dB, 2 dB re the fundamental: u = 2 u_L / 8.686 dB."""
    grid, level = [100.0, 200.0], np.full((1, 2), -40.0)
    errors = at(grid, (3,), broadband_error=0.25)
    slope = slopes_between(np.full((1, 2), -52.0), level, 6.0)
    slopes = LevelSlopes(slope, slope, np.array([0.5, 0.5]))
    first, drawn = both(errors, level, slopes)
    assert first == pytest.approx(2 * 0.25 / 8.686, rel=1e-4)
    assert drawn == pytest.approx(2 * 0.25 / 8.686, rel=0.05)


@given(st.floats(0.01, 2.0))
def test_what_is_one_error_at_all_frequencies_cancels_at_a_drive(size):
    """Calibration, gain and distance are in the order and the fundamental alike (GUM, F.1.2.3)."""
    errors = at([100.0, 900.0], (2, 3), broadband_error=size, draws=20)
    assert np.abs(draw_order_errors(errors, "one", np.zeros((2, 2)))).max() < 1e-12
    assert both(errors, np.full((2, 2), -30.0)) == pytest.approx((0.0, 0.0), abs=1e-12)


def test_an_error_of_the_microphone_at_the_order_alone_is_all_in_the_distortion():
    """1 dB at n f changes that order by 10^(1/20), 12.2 %; a standard uncertainty of 0.1 dB is 1.15 % of it."""
    assert draw_sum_ratio([[1.0]], np.ones((1, 1, 1)))[0, 0] == pytest.approx(1.122, abs=5e-4)
    errors = at([100.0], (4,), response=lambda hz: np.where(hz > 200.0, 0.1, 0.0))
    first, drawn = both(errors, [[-30.0]])
    assert first == pytest.approx(0.0115, abs=2e-5) and drawn == pytest.approx(first, rel=0.05)


@pytest.mark.parametrize("kind", ["response", "own"])
def test_errors_at_f_and_an_octave_above_are_independent(kind):
    """Root of the sum of two equal squares (GUM, 5.1.2)."""
    first, drawn = both(at([100.0], (2,), **{kind: 0.2}), [[-30.0]])
    assert first == pytest.approx(np.sqrt(2) * 0.2 * PER_DB, rel=1e-9) and drawn == pytest.approx(first, rel=0.05)


def test_orders_near_one_another_go_together_and_count_by_their_squares():
    """With equal shares: one error is all in the sum, two independent ones make 1 / sqrt 2 (GUM, 5.1.2 and 5.2.2)."""

    def of_response(orders):
        # As many frequencies as errors have places: one at each octave from 100 Hz on.
        grid = 100.0 * 2.0 ** np.arange(4)
        sizes = at(grid, orders, response=lambda hz: np.where(hz > 799.0, 0.2, 0.0))
        return both(sizes, np.full((2, 4), -30.0))[0] / (0.2 * PER_DB)

    assert of_response((8, 16)) == pytest.approx(1 / np.sqrt(2), rel=1e-9)
    assert 0.9 < of_response((15, 16)) <= 1.0
    # -30 dB and -40 dB: shares of the squares 10 : 1.
    assert order_power_shares([[-30.0], [-40.0], [np.nan]])[:, 0].tolist() == pytest.approx([10 / 11, 1 / 11, 0.0])


def test_an_error_in_the_level_and_in_the_reading_is_one_error():
    """A microphone 0.2 dB off at f alone: of the third order the level takes 2 x 0.2 dB, the reading 0.2 dB: 0.6 dB."""
    errors = at([100.0], (8,), response=lambda hz: np.where(hz < 101.0, 0.2, 0.0))
    slopes = LevelSlopes(np.full((1, 1), 2.0), np.full((1, 1), 2.0), np.ones(1))
    first, _ = both(errors, [[-30.0]], slopes)
    assert first == pytest.approx(3 * 0.2 * PER_DB, rel=1e-9)


def test_noise_beside_an_order_is_that_of_a_phasor():
    """Simulated: a tone and noise 20 dB below it, in the limits of the first order 8.686 x 0.1 / sqrt 2 dB."""
    generator = np.random.default_rng(1)
    phasor = 1 + 0.1 * (generator.standard_normal(20000) + 1j * generator.standard_normal(20000)) / np.sqrt(2)
    simulated = float((20 * np.log10(np.abs(phasor))).std())
    found = order_noise_uncertainty([[-40.0, -40.0, -40.0]], [[-60.0, -60.0, np.nan]], [[False, True, False]])
    assert found[0, 0] == pytest.approx(simulated, rel=0.03) and found[0, 1:].tolist() == [0.0, 0.0]
    first, drawn = both(at([100.0], (2,)), [[-40.0]], noise=[[0.6]])
    assert first == pytest.approx(0.6 * PER_DB) and drawn == pytest.approx(first, rel=0.05)


def test_slopes_towards_both_neighbours():
    """Order 2 rises by 1 dB per dB, then by 3; a limit beside a value has no slope: that to the other side stands."""
    relative = np.array([-50.0, -44.0, -26.0]).reshape(3, 1, 1)
    bound = np.zeros((3, 1, 1), bool)
    softer, louder = slopes_at_take([80.0, 86.0, 92.0], relative, bound, 1)
    assert (softer[0, 0], louder[0, 0]) == (1.0, 3.0)
    assert [one[0, 0] for one in slopes_at_take([80.0, 86.0, 92.0], relative, bound, 2)] == [3.0, 3.0]
    bound[0] = True
    assert [one[0, 0] for one in slopes_at_take([80.0, 86.0, 92.0], relative, bound, 1)] == [3.0, 3.0]
    assert slopes_at_take([np.nan, 86.0, np.nan], relative, bound, 1) is None


def test_a_draw_to_louder_takes_the_slope_to_louder():
    """Nothing changes towards softer: half of the draws do not move at all."""
    errors = at([100.0], (3,), broadband_error=0.2)
    slopes = LevelSlopes(np.zeros((1, 1)), np.full((1, 1), 2.0), np.ones(1))
    moved = draw_order_errors(errors, "one", np.zeros((1, 1)), slopes)[:, 0, 0]
    assert moved.min() > -1e-12 and 0.45 < float((moved > 1e-9).mean()) < 0.55
