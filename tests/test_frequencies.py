import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from anechain.acoustics.curve.bands import band_centres, band_edges, band_means
from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.frequency_text import format_frequency, format_hertz

# IEC 61260-1:2014, equations 1 to 5, as two general acoustics libraries transcribe them.
OCTAVES = [15.849, 31.623, 63.096, 125.893, 251.189, 501.187, 1000, 1995.262, 3981.072, 7943.282, 15848.932]
THIRDS = [100, 125.89254, 158.48932, 199.52623, 251.18864, 316.22777, 398.10717, 501.18723, 630.95734, 794.32823]
AROUND_1K = {
    2: [841.395, 1188.502, 1678.804],
    6: [944.061, 1059.254, 1188.502],
    12: [971.628, 1029.201, 1090.185],
    20: [982.879, 1017.419, 1053.174],
    24: [985.712, 1014.495, 1044.119],
}


def test_octaves():
    assert band_centres(1, 16, 16000) == pytest.approx(OCTAVES, rel=1e-5)
    lower, upper = band_edges(1000.0, 1)
    assert (lower, upper) == (pytest.approx(707.946, rel=1e-6), pytest.approx(1412.538, rel=1e-6))


def test_thirds():
    centres = band_centres(3, 20, 20000)
    assert centres.size == 31
    assert centres[7:17] == pytest.approx(THIRDS, rel=1e-6)
    assert centres[0] == pytest.approx(19.952623, rel=1e-6) and centres[-1] == pytest.approx(19952.623, rel=1e-6)
    lower, upper = band_edges(1000.0, 3)
    assert (lower, upper) == (pytest.approx(891.2509, rel=1e-6), pytest.approx(1122.0185, rel=1e-6))


@pytest.mark.parametrize("fraction", AROUND_1K)
def test_even_fractions_have_an_edge_at_1_khz(fraction):
    centres = band_centres(fraction, AROUND_1K[fraction][0], AROUND_1K[fraction][-1])
    assert centres == pytest.approx(AROUND_1K[fraction], rel=1e-6)
    assert band_edges(centres, fraction)[0][1] == pytest.approx(1000, rel=1e-12)


def test_nominal_frequencies_of_thirds_find_their_band():
    # Preferred numbers R10 (ISO 266; recalled) lie within 1 % of the exact mid-bands.
    nominal = [100, 125, 160, 200, 250, 315, 400, 500, 630, 800]
    assert [band_centres(3, f, f)[0] for f in nominal] == pytest.approx(THIRDS, rel=1e-6)


def test_a_range_that_ends_on_edges_takes_the_bands_inside():
    assert band_centres(6, 1000, 1122.0184543) == pytest.approx([1059.254], rel=1e-6)
    assert band_centres(2, 1000, 1000).size == 1


@pytest.mark.parametrize("fraction", [1, 2, 3, 6, 12, 24])
def test_bands_meet_edge_to_edge(fraction):
    lower, upper = band_edges(band_centres(fraction, 20, 20000), fraction)
    assert upper[:-1] == pytest.approx(lower[1:], rel=1e-12)
    assert lower[0] <= 20 and upper[-1] >= 20000


@pytest.mark.parametrize("arguments", [(0, 20, 100), (2.5, 20, 100), (3, 0, 100), (3, 200, 100), (3, 20, np.inf)])
def test_bands_that_make_no_sense_are_refused(arguments):
    with pytest.raises(ValueError, match="bands"):
        band_centres(*arguments)


# --- resampling


def test_a_straight_slope_per_octave_is_met_exactly():
    # 12 dB per octave is a straight line of decibels over log frequency.
    coarse, fine = np.geomspace(20, 20000, 31), np.geomspace(20, 20000, 400)
    found = resample(coarse, 12 * np.log2(coarse / 1000), fine)
    assert found == pytest.approx(12 * np.log2(fine / 1000), abs=1e-9)


def test_half_way_in_log_frequency_is_the_mean_of_decibels():
    assert resample([100, 400], [[0, 10], [3, 5]], [200])[:, 0] == pytest.approx([5, 4])


def test_nothing_is_extrapolated():
    found = resample([100, 200], [1.0, 2.0], [50, 99.99, 100, 200, 200.01])
    assert np.isnan(found).tolist() == [True, True, False, False, True]
    assert found[2:4].tolist() == [1, 2]
    assert np.isnan(resample([100], [1.0], [99, 100, 101])).tolist() == [True, False, True]


def test_what_is_missing_stays_missing():
    found = resample([100, 200, 400, 800], [1, np.nan, 3, 4.0], [100, 150, 200, 300, 400, 600])
    assert np.isnan(found).tolist() == [False, True, True, True, False, False]


def test_a_null_at_a_sample_is_kept():
    assert resample([100, 200, 400], [0, -np.inf, 0.0], [200, 300, 400]).tolist() == [-np.inf, -np.inf, 0]


@given(arrays(float, 12, elements=st.floats(-100, 150)), arrays(float, 5, elements=st.floats(20, 20000)))
def test_resampled_levels_lie_between_their_neighbours(level, target):
    grid = np.geomspace(20, 20000, 12)
    found = resample(grid, level, target)
    above = np.clip(np.searchsorted(grid, target), 1, 11)
    low, high = np.minimum(level[above - 1], level[above]), np.maximum(level[above - 1], level[above])
    assert ((found >= low - 1e-9) & (found <= high + 1e-9)).all()
    assert (resample(grid, level, grid) == level).all()


@pytest.mark.parametrize(
    ("frequency", "level"),
    [([], []), ([0, 1], [1, 2]), ([2, 1], [1, 2]), ([1, 1], [1, 2]), ([1, np.nan], [1, 2]), ([1, 2], [1, 2, 3]),
     ([[1, 2]], [1, 2]), ([1, 2], 3.0)],
)  # fmt: skip
def test_grids_that_make_no_sense_are_refused(frequency, level):
    for call in (resample, lambda f, y, t: band_means(f, y, t, 3)):
        with pytest.raises(ValueError, match="frequencies"):
            call(frequency, level, [1.5])


# --- means over bands


def test_band_mean_of_a_power_law():
    # p^2 ~ f^n has the mean 2 sinh(n ln(G) / 2b) / (n ln(G) / b) over a 1/b octave band, re its middle.
    frequency = np.geomspace(20, 20000, 20001)
    centres = band_centres(3, 50, 10000)
    for order in (1, 2, 4, -4):
        wide = order * np.log(10**0.3) / 3
        expected = 10 * np.log10((centres / 1000) ** order * np.sinh(wide / 2) / (wide / 2))
        found = band_means(frequency, 10 * np.log10((frequency / 1000) ** order), centres, 3)
        assert found == pytest.approx(expected, abs=1e-5)


def test_band_mean_of_a_tone_is_its_share_of_the_band():
    # One sample of a fine, evenly spaced log grid stands for a triangle as wide as one spacing.
    frequency = 1000 * 2 ** (np.arange(-200, 201) / 100)
    level = np.full(401, -np.inf)
    level[200] = 0.0
    width = np.log2(10**0.3) / 3
    assert band_means(frequency, level, [1000], 3) == pytest.approx(10 * np.log10(0.01 / width), abs=1e-9)


def test_bands_beyond_or_between_the_data_are_missing():
    frequency = np.array([100, 110, 120, 130, 140, 300, 310, 320.0])
    level = np.zeros((2, 8))
    level[1, 1] = np.nan
    centres = [100, 125.8925, 199.526, 316.228]
    found = band_means(frequency, level, centres, 3)
    # 100: starts at 89 Hz. 126: whole. 200: holds no sample. 316: ends at 355 Hz.
    assert np.isnan(found[0]).tolist() == [True, False, True, True]
    assert np.isnan(found[1]).tolist() == [True, True, True, True]
    assert np.isnan(band_means([100], [1.0], [100], 3)).all()


def test_a_missing_value_leaves_other_bands_alone():
    frequency = np.geomspace(50, 2000, 500)
    level = np.zeros(500)
    level[np.argmin(np.abs(frequency - 1000))] = np.nan
    assert np.isnan(band_means(frequency, level, [200, 1000, 1258.925], 3)).tolist() == [False, True, False]


@given(arrays(float, (2, 60), elements=st.floats(-100, 150)), st.floats(-50, 50))
def test_band_means_lie_within_the_levels_and_shift_with_them(level, shift):
    frequency = np.geomspace(20, 20000, 60)
    centres = band_centres(1, 63, 8000)
    found = band_means(frequency, level, centres, 1)
    assert (found <= level.max(axis=1, keepdims=True) + 1e-9).all()
    assert (found >= level.min(axis=1, keepdims=True) - 1e-9).all()
    assert band_means(frequency, level + shift, centres, 1) == pytest.approx(found + shift, abs=1e-9)


def test_frequencies_are_formatted_without_exponents():
    assert [format_hertz(f) for f in (20000.0, 14301.2, 999.96, 31.4159)] == ["20000", "14300", "1000", "31.42"]


@pytest.mark.parametrize(
    ("frequency", "digits", "text"),
    [(55.0, 3, "55 Hz"), (2512.3, 3, "2.51 kHz"), (999.6, 3, "1 kHz"), (999.6, 4, "999.6 Hz"), (999.96, 4, "1 kHz")],
)
def test_frequencies_are_formatted_with_their_unit(frequency, digits, text):
    assert format_frequency(frequency, digits) == text
