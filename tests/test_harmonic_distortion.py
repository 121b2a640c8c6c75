"""Harmonic orders, their sums and the noise they stand in, against closed forms."""

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
from anechain.acoustics.nonlinear.relative_orders import NOISE_MARGIN, ReferredOrders, order_noise, referred_orders

TURN = 2 * np.pi * np.arange(4096) / 4096


def decibels(amplitude):
    return 20 * np.log10(np.abs(amplitude))


def orders_of(wave, highest=9):
    """Levels of the orders of one period, by FFT: orders 1 to `highest`, shape (orders, 1)."""
    return decibels(np.fft.rfft(wave)[1 : highest + 1] / 2048 + 1e-30)[:, np.newaxis]


def thd_of(wave, highest=9, last=9):
    level = orders_of(wave, highest)
    known = referred_orders(level[0], level[1:], np.full_like(level[1:], np.nan))
    return float(harmonic_sum(known.level_db, known.bound, range(2, highest + 1), 2, last).upper_db[0])


@pytest.mark.parametrize(
    ("percent", "level"),
    [
        (0.01, -80), (0.03, -70.4576), (0.1, -60), (0.3, -50.4576), (0.5, -46.0206), (1, -40), (2, -33.9794),
        (3, -30.4576), (5, -26.0206), (10, -20), (20, -13.9794), (30, -10.4576), (3.162278, -30), (0.316228, -50),
    ],
)  # fmt: skip
def test_per_cent_and_decibels(percent, level):
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


def test_an_order_that_nobody_measured_ends_the_sum():
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
    relative, numbers = referred_orders([0.0], read, noise, margin), range(2, len(orders) + 2)
    thd = harmonic_sum(relative.level_db, relative.bound, numbers, 2, 9)
    both = harmonics_and_noise(relative, numbers, 2, 9)
    assert thd.upper_db[0] <= both.upper_db[0] + 1e-9
    assert both.lower_db[0] <= both.upper_db[0] + 1e-9 and both.bound[0] == thd.bound[0]
    assert both.highest.tolist() == thd.highest.tolist()


def test_well_above_the_noise_it_is_what_was_read():
    relative = referred_orders([90.0], [[50.0], [40.0]], [[0.0], [np.nan]])
    found = harmonics_and_noise(relative, (2, 3), 2, 9)
    assert not found.bound[0]
    assert found.upper_db[0] == found.lower_db[0] == pytest.approx(10 * np.log10(1e-4 + 1e-5))


def test_an_order_between_takes_of_which_one_has_no_known_noise():
    relative = ReferredOrders(*(np.array([[one]]) for one in (-50.0, True, np.nan, -55.0)))
    found = harmonics_and_noise(relative, (2,), 2, 2)
    assert found.upper_db[0] == pytest.approx(-50) and found.bound[0] and found.lower_db[0] < -900


class TestNoise:
    def test_a_harmonic_above_the_margin_is_a_value_and_one_below_is_a_limit(self):
        found = referred_orders([90.0, 90.0, 90.0], [[50.0, 30.0, 20.0]], [[20.0, 20.1, np.nan]])
        assert found.bound.tolist() == [[False, True, False]]
        assert found.level_db[0, 0] == -40 and found.noise_db[0, 0] == -70
        # Amplitude read, 31.62, plus sqrt(3) times 10.12: what was read and what the noise may have taken from it.
        assert found.level_db[0, 1] == pytest.approx(20 * np.log10(10**1.5 + np.sqrt(3) * 10**1.005) - 90)
        assert found.read_db[0, 1] == -60

    @pytest.mark.parametrize("under", [-100.0, -10.0, 0.0, 6.0])
    def test_a_limit_holds_in_95_of_100_readings_at_least(self, under):
        """A sine in complex normal noise, read 20 000 times: |a| is below |a + n| + sqrt(3) sigma but for 1 in 20."""
        random = np.random.default_rng(7)
        true, size = 10 ** (under / 20), 20000
        noise = (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)
        read = decibels(true + noise)
        found = referred_orders(np.zeros(size), read[np.newaxis], np.zeros((1, size)), 10.0)
        assert (found.level_db[found.bound] >= under).mean() >= 0.95

    @pytest.mark.parametrize("under", [-100.0, -10.0, 0.0, 6.0])
    def test_with_the_noise_it_lies_between_its_limits_in_95_of_100_readings(self, under):
        """Power of the sine plus mean power of the noise, 1: simulated; a reading alone is seldom above it."""
        random = np.random.default_rng(7)
        true, size = 10 ** (under / 20), 20000
        noise = (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)
        relative = referred_orders(np.zeros(size), decibels(true + noise)[np.newaxis], np.zeros((1, size)), 10.0)
        found = harmonics_and_noise(relative, (2,), 2, 2)
        truth = 10 * np.log10(true**2 + 1)
        inside = (found.lower_db <= truth + 1e-9) & (truth <= found.upper_db)
        assert inside[found.bound].mean() >= 0.95
        assert (relative.read_db[0] >= truth).mean() < 0.6

    def test_noise_alone_is_seldom_taken_for_a_value(self):
        """Its mean square is exceeded by 10 dB with probability exp(-10), by 6 dB with exp(-10^0.6) = 1.9 %."""
        random = np.random.default_rng(11)
        size = 400_000
        noise = (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)

        def taken(margin):
            return (~referred_orders(np.zeros(size), decibels(noise)[None], np.zeros((1, size)), margin).bound).mean()

        assert taken(NOISE_MARGIN) == pytest.approx(np.exp(-10), abs=5e-5)
        assert taken(6.0) == pytest.approx(np.exp(-(10**0.6)), rel=0.05)

    @pytest.mark.parametrize("ratio", [20.0, 30.0, 40.0])
    def test_noise_from_the_spread_of_repeats(self, ratio):
        """A sine above noise by so many decibels, read 20 000 times: the spread tells the noise within 0.2 dB."""
        random = np.random.default_rng(5)
        size = 20000
        noise = 10 ** (-ratio / 20) * (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)
        spread = np.std(decibels(1 + noise), ddof=1)
        assert order_noise(0.0, np.nan, spread) == pytest.approx(-ratio, abs=0.2)

    def test_pure_noise_is_told_within_a_decibel(self):
        """The levels of noise alone spread by 20 pi / (ln 10 sqrt 24) = 5.570 dB (Rayleigh)."""
        assert order_noise(-60.0, np.nan, 20 * np.pi / (np.log(10) * np.sqrt(24))) == pytest.approx(-60, abs=1)

    def test_the_greater_of_both_counts_and_what_is_unknown_stays_so(self):
        np.testing.assert_array_equal(order_noise([50.0], [10.0]), [10.0])
        both = order_noise([50.0, 50.0, 50.0, 50.0], [10.0, 40.0, np.nan, np.nan], [1.0, 1.0, np.nan, 0.0])
        # 1 dB of spread: sqrt(2) / 8.686 of the amplitude.
        np.testing.assert_allclose(both, [50 + 20 * np.log10(np.sqrt(2) / 8.685890), 40, np.nan, np.nan], atol=1e-6)


class TestPeaks:
    grid = 1000 * 2.0 ** (np.arange(-120, 97) / 24)

    def bump(self, centre, height, width=0.1):
        return height * np.exp(-((np.log2(self.grid / centre) / width) ** 2))

    def found(self, fundamental, second, **how):
        orders = referred_orders(fundamental, second[np.newaxis], np.full((1, self.grid.size), 10.0))
        return harmonic_peaks(self.grid, fundamental, orders, (2,), **how)

    def test_a_peak_of_the_harmonic_alone(self):
        [peak] = self.found(np.full(self.grid.size, 90.0), 40 + self.bump(500, 12))
        assert (peak.order, peak.excitation_hz, peak.heard_hz) == (2, pytest.approx(500), pytest.approx(1000))
        assert peak.height_db == pytest.approx(12, abs=0.01) and peak.level_db == pytest.approx(-38, abs=0.01)
        assert len(peak.possible_causes) >= 2

    def test_a_peak_that_the_fundamental_has_too_is_none(self):
        assert self.found(90 + self.bump(500, 8), 40 + self.bump(500, 12)) == ()
        assert len(self.found(90 + self.bump(200, 8), 40 + self.bump(500, 12))) == 1

    def test_a_dip_of_the_fundamental_makes_no_peak(self):
        assert self.found(90 - self.bump(500, 12), np.full(self.grid.size, 40.0)) == ()

    def test_what_radiates_the_harmonic_is_named_first(self):
        """A resonance at 1 kHz lifts the second order of 500 Hz, and the fundamental of 1 kHz."""
        [peak] = self.found(90 + self.bump(1000, 12), 40 + self.bump(500, 12))
        assert "own frequency" in peak.possible_causes[0]

    def test_small_broad_and_hidden_ones_are_left_out(self):
        flat = np.full(self.grid.size, 90.0)
        assert self.found(flat, 40 + self.bump(500, 5)) == ()
        assert len(self.found(flat, 40 + self.bump(500, 5), min_height_db=3.0)) == 1
        assert self.found(flat, 40 + self.bump(500, 12, width=3.0)) == ()
        assert self.found(flat, 5 + self.bump(500, 12)) == ()  # 17 dB, in noise of 10 dB

    def test_a_gap_is_no_edge_of_a_peak(self):
        second = 40 + self.bump(500, 12)
        second[self.grid > 501] = np.nan
        assert self.found(np.full(self.grid.size, 90.0), second) == ()


@pytest.mark.parametrize(
    "call",
    [
        lambda: referred_orders([90.0], [[40.0]], [[10.0, 3.0]]),
        lambda: referred_orders([90.0], [[40.0]], [[10.0]], -1.0),
        lambda: harmonic_sum([[-40.0]], [[False]], (2, 3), 2, 3),
        lambda: harmonic_sum([[-40.0]], [[False]], (2,), 1, 3),
        lambda: harmonic_peaks(
            [1.0, 2.0], [90.0, 90.0], referred_orders([90.0], [[40.0]], [[10.0]]), (2,)
        ),
        lambda: harmonic_peaks([1.0], [90.0], referred_orders([90.0], [[40.0]], [[10.0]]), (2,), 0.0),
    ],
)  # fmt: skip
def test_senseless_arguments_are_refused(call):
    with pytest.raises(ValueError, match=r"not|shape"):
        call()
