"""Sums of harmonic orders against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.polynomial import chebyshev

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.nonlinear.harmonic_peaks import harmonic_peaks
from anechain.acoustics.nonlinear.harmonic_sums import (
    harmonic_sum,
    harmonics_and_noise,
    percent_of_level,
    relative_to_total,
)
from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.acoustics.nonlinear.relative_orders import ReferredOrders, referred_orders

TURN = 2 * np.pi * np.arange(4096) / 4096


def decibels(amplitude):
    return 20 * np.log10(np.abs(amplitude))


RULE = NoiseRule(np.array(10.0), np.sqrt(3))


def orders_of(wave, highest=9):
    """Levels of the orders of one period, by FFT: orders 1 to `highest`, shape (orders, 1)."""
    return decibels(np.fft.rfft(wave)[1 : highest + 1] / 2048 + 1e-30)[:, np.newaxis]


def thd_of(wave, highest=9, last=9):
    level = orders_of(wave, highest)
    known = referred_orders(level[0], level[1:], np.full_like(level[1:], np.nan), RULE)
    return float(harmonic_sum(known.level_db, known.bound, range(2, highest + 1), 2, last).upper_db[0])


@pytest.mark.parametrize(
    ("percent", "level"),
    [
        (0.01, -80), (0.03, -70.4576), (0.1, -60), (0.3, -50.4576), (0.5, -46.0206), (1, -40), (2, -33.9794),
        (3, -30.4576), (5, -26.0206), (10, -20), (20, -13.9794), (30, -10.4576), (3.162278, -30), (0.316228, -50),
    ],
)  # fmt: skip
def test_percent_of_a_level(percent, level):
    """1 % is -40 dB, and the table of closed forms 20 lg(p / 100)."""
    assert percent_of_level(level) == pytest.approx(percent, rel=6e-6)


def test_a_sum_of_three():
    """Orders at -40, -50 and -60 dB: 10 lg(1e-4 + 1e-5 + 1e-6) = -39.5468 dB, 1.053565 %."""
    found = harmonic_sum([[-40.0], [-50.0], [-60.0]], np.zeros((3, 1), bool), (2, 3, 4), 2, 9)
    assert found.upper_db[0] == found.lower_db[0] == pytest.approx(-39.5468, abs=5e-5)
    assert percent_of_level(found.upper_db[0]) == pytest.approx(1.053565, abs=5e-7)
    assert found.highest[0] == 4 and not found.bound[0]


def test_thd_of_a_chebyshev_polynomial():
    """h = (1, .03, .01, .003, .001): THD_F 3.178050 % (-29.95679 dB), THD_R 3.176446 %; by definition of T_n."""
    wave = chebyshev.chebval(np.cos(TURN), [0, 1, 0.03, 0.01, 0.003, 0.001])
    assert thd_of(wave) == pytest.approx(-29.95679, abs=1e-5)
    assert percent_of_level(thd_of(wave)) == pytest.approx(3.178050, abs=1e-6)
    assert percent_of_level(relative_to_total(thd_of(wave))) == pytest.approx(3.176446, abs=1e-6)


def test_the_same_polynomial_driven_by_half():
    """At peak 0.5: order 2 at -39.3952 dB, order 3 at -55.9426 dB, THD_F 1.084613 %: expanded by hand from c0 to c5."""
    wave = chebyshev.chebval(0.5 * np.cos(TURN), [0, 1, 0.03, 0.01, 0.003, 0.001])
    level = orders_of(wave)
    np.testing.assert_allclose((level[1:3] - level[0])[:, 0], [-39.3952, -55.9426], atol=5e-5)
    assert percent_of_level(thd_of(wave)) == pytest.approx(1.084613, abs=5e-7)


def test_quadratic_and_cubic():
    """x + .02 x^2 - .04 x^3, unit sine: orders 0.97, 0.01, 0.01: THD_F 1.457952 %."""
    x = np.sin(TURN)
    assert percent_of_level(thd_of(x + 0.02 * x**2 - 0.04 * x**3)) == pytest.approx(1.457952, abs=5e-7)


@pytest.mark.parametrize(("amplitude", "orders"), [(1.5, (15.0036, 1.6671, 2.4609)), (2.0, (22.6326, 4.5265, 1.6166))])
def test_hard_clipper(amplitude, orders):
    """Orders 3, 5 and 7 of a clipped sine from its Fourier integral, per cent of the fundamental; no even ones."""
    level = orders_of(np.clip(amplitude * np.sin(TURN), -1, 1))[:, 0]
    # 4096 samples of a wave with corners alias a little.
    np.testing.assert_allclose(percent_of_level(level[[2, 4, 6]] - level[0]), orders, atol=2e-3)
    assert (level[[1, 3, 5, 7]] < -200).all()


@pytest.mark.parametrize(
    ("wave", "thd_f", "thd_r"),
    [
        (np.sign(np.sin(TURN + 1e-9)), 48.34258, 43.52362),
        (np.abs(TURN / np.pi - 1) * 2 - 1, 12.11529, None),
    ],
    ids=["square", "triangle"],
)
def test_known_waves(wave, thd_f, thd_r):
    """Square sqrt(pi^2/8 - 1), triangle sqrt(pi^4/96 - 1): of all harmonics, here the first 1000."""
    found = thd_of(wave, 1000, 1000)
    # The tail beyond order 1000: of a square wave sum 1/n^2 over odd n > 1000, that is 0.05 % of (pi^2/8 - 1).
    assert percent_of_level(found) == pytest.approx(thd_f, rel=1.5e-3)
    if thd_r is not None:
        assert percent_of_level(relative_to_total(found)) == pytest.approx(thd_r, rel=1.5e-3)


@pytest.mark.parametrize(
    ("thd_f", "thd_r"), [(1, 0.999950), (3, 2.998651), (5, 4.993762), (10, 9.950372), (30, 28.734789)]
)
def test_of_the_fundamental_and_of_the_total(thd_f, thd_r):
    """THD_R = THD_F / sqrt(1 + THD_F^2), IEC 60268-3 for the total as reference (seen second hand)."""
    assert percent_of_level(relative_to_total(20 * np.log10(thd_f / 100))) == pytest.approx(thd_r, abs=6e-7)


def test_groups_and_the_highest_order():
    relative = np.array([[-40.0, -40, -40], [-50, -50, np.nan], [-60, np.nan, np.nan], [-70, np.nan, -70]])
    none = np.zeros(relative.shape, bool)
    whole = harmonic_sum(relative, none, (2, 3, 4, 5), 2, 9)
    assert whole.highest.tolist() == [5, 3, 0]
    # Where order 3 is missing below a measured order 5, a sum would be silently too small.
    assert np.isnan(whole.upper_db[2]) and np.isnan(whole.lower_db[2])
    second_third = harmonic_sum(relative, none, (2, 3, 4, 5), 2, 3)
    assert second_third.upper_db[0] == pytest.approx(10 * np.log10(1e-4 + 1e-5))
    upper = harmonic_sum(relative, none, (2, 3, 4, 5), 4, 9)
    assert upper.highest.tolist() == [5, 0, 0]
    assert upper.upper_db[0] == pytest.approx(10 * np.log10(1e-6 + 1e-7))


def test_an_order_that_was_not_measured_ends_the_sum():
    found = harmonic_sum([[-40.0], [-60.0]], np.zeros((2, 1), bool), (2, 4), 2, 9)
    assert np.isnan(found.upper_db[0]) and found.highest[0] == 0
    found = harmonic_sum([[-60.0]], np.zeros((1, 1), bool), (2,), 2, 9)
    assert found.upper_db[0] == pytest.approx(-60) and found.highest[0] == 2


def test_limits_make_a_sum_a_limit():
    """One order certain at -40 dB, one hidden below -50 dB: between -40 and -39.586 dB."""
    found = harmonic_sum([[-40.0], [-50.0]], [[False], [True]], (2, 3), 2, 9)
    assert found.bound[0]
    assert found.lower_db[0] == pytest.approx(-40)
    assert found.upper_db[0] == pytest.approx(10 * np.log10(1.1e-4))
    hidden = harmonic_sum([[-50.0]], [[True]], (2,), 2, 2)
    assert np.isneginf(hidden.lower_db[0]) and hidden.upper_db[0] == pytest.approx(-50)


@given(
    st.lists(st.tuples(st.floats(-120, 0), st.booleans()), min_size=1, max_size=8),
)
def test_a_sum_lies_between_its_limits_whatever_the_hidden_orders_are(orders):
    """Every hidden order may be anything from nothing to its limit; the true sum is never outside."""
    level = np.array([[value] for value, _ in orders])
    bound = np.array([[hidden] for _, hidden in orders])
    found = harmonic_sum(level, bound, range(2, len(orders) + 2), 2, len(orders) + 1)
    for share in (0.0, 0.3, 1.0):
        truth = 10 * np.log10((power_of_level(level) * np.where(bound, share, 1.0)).sum() + 1e-300)
        assert found.lower_db[0] - 1e-9 <= truth or np.isneginf(found.lower_db[0])
        assert truth <= found.upper_db[0] + 1e-9
    assert found.bound[0] == bound.any()


LEVELS = st.floats(-120, 20)


@given(st.lists(st.tuples(LEVELS, LEVELS), min_size=1, max_size=8), st.floats(0, 20))
def test_distortion_is_never_above_distortion_plus_noise(orders, margin):
    """Powers add: whatever is read and however much noise there is, the limit of THD stays below that of THD+N."""
    read, noise = (np.array(column)[:, np.newaxis] for column in zip(*orders, strict=True))
    relative, numbers = referred_orders([0.0], read, noise, NoiseRule(margin, np.sqrt(3))), range(2, len(orders) + 2)
    thd = harmonic_sum(relative.level_db, relative.bound, numbers, 2, 9)
    both = harmonics_and_noise(relative, numbers, 2, 9)
    assert thd.upper_db[0] <= both.upper_db[0] + 1e-9
    assert both.lower_db[0] <= both.upper_db[0] + 1e-9 and both.bound[0] == thd.bound[0]
    assert both.highest.tolist() == thd.highest.tolist()


def test_well_above_the_noise_the_sum_is_as_read():
    relative = referred_orders([90.0], [[50.0], [40.0]], [[0.0], [np.nan]], RULE)
    found = harmonics_and_noise(relative, (2, 3), 2, 9)
    assert not found.bound[0]
    assert found.upper_db[0] == found.lower_db[0] == pytest.approx(10 * np.log10(1e-4 + 1e-5))


def test_an_order_between_takes_of_which_one_has_no_known_noise():
    relative = ReferredOrders(*(np.array([[one]]) for one in (-50.0, True, np.nan, -55.0)))
    found = harmonics_and_noise(relative, (2,), 2, 2)
    assert found.upper_db[0] == pytest.approx(-50) and found.bound[0] and found.lower_db[0] < -900


@pytest.mark.parametrize(
    "call",
    [
        lambda: referred_orders([90.0], [[40.0]], [[10.0, 3.0]], RULE),
        lambda: harmonic_sum([[-40.0]], [[False]], (2, 3), 2, 3),
        lambda: harmonic_sum([[-40.0]], [[False]], (2,), 1, 3),
        lambda: harmonic_peaks(
            [1.0, 2.0], [90.0, 90.0], referred_orders([90.0], [[40.0]], [[10.0]], RULE), (2,)
        ),
        lambda: harmonic_peaks([1.0], [90.0], referred_orders([90.0], [[40.0]], [[10.0]], RULE), (2,), 0.0),
    ],
)  # fmt: skip
def test_invalid_arguments_are_refused(call):
    with pytest.raises(ValueError, match=r"not|shape"):
        call()
