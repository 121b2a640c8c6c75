"""Compression of the fundamental: nonlinearities with a closed form, noise and rounding that hide it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.compression_deltas import MISSING, NOISE, ROUNDING, USED, compression_deltas
from anechain.acoustics.nonlinear.exceedance_bands import ExceedanceBand, in_words, passed_bands
from anechain.acoustics.nonlinear.level_and_shape import level_and_shape, unequal_gain
from anechain.acoustics.nonlinear.octave_compression import limit_reached, octave_bands
from anechain.acoustics.nonlinear.reading_uncertainty import level_resolution, noise_uncertainty

FREQUENCY = np.geomspace(20.0, 20_000.0, 121)


def fundamental(nonlinearity, amplitudes, samples=4096):
    """Level of the fundamental of a bent sine, by a discrete Fourier transform over one period."""
    sine = np.sin(2 * np.pi * np.arange(samples) / samples)
    spectra = [np.fft.rfft(nonlinearity(amplitude * sine)) for amplitude in amplitudes]
    return np.array([20 * np.log10(abs(one[1]) * 2 / samples) for one in spectra])


def everywhere(levels):
    return np.repeat(np.asarray(levels)[:, np.newaxis], FREQUENCY.size, axis=1)


def deltas_of(levels, drives, **options):
    return compression_deltas(FREQUENCY, everywhere(levels), drives, **options)


def test_a_hard_clipper():
    """Describing function of a limiter, (2 / pi) [arcsin(1/A) + sqrt(1 - 1/A^2) / A]; values computed apart."""
    drives = [0.5, 1.2, 1.5, 2.0, 3.0, 4.0, 10.0]
    found = deltas_of(fundamental(lambda x: np.clip(x, -1, 1), drives, 2**16), drives)
    expected = [0, -0.72051, -2.14811, -4.30769, -7.60943, -10.03483, -17.91631]
    np.testing.assert_allclose(found.delta_db[:, 7], expected, atol=1e-4)
    assert (found.flag == USED).all()


def test_a_cubic():
    """x - c x^3 has the gain 1 - (3/4) c A^2: -0.677165 dB for c = 0.1, A = 1."""
    found = deltas_of(fundamental(lambda x: x - 0.1 * x**3, [1e-3, 1.0]), [1e-3, 1.0])
    np.testing.assert_allclose(found.delta_db[1], -0.677165, atol=2e-6)


def test_a_hyperbolic_tangent():
    """tanh, numerically, apart from this project: -0.516348 dB at A = 0.5, -5.052216 dB at A = 2."""
    drives = [1e-4, 0.5, 2.0]
    found = deltas_of(fundamental(np.tanh, drives), drives)
    np.testing.assert_allclose(found.delta_db[1:, 0], [-0.516348, -5.052216], atol=1e-5)


def test_two_levels_by_hand():
    """From 1 V to 10 V is 20 dB; 80 dB that become 98.5 dB lack 1.5 dB."""
    found = deltas_of([80.0, 98.5], [1.0, 10.0])
    np.testing.assert_allclose(found.delta_db, everywhere([0.0, -1.5]), atol=1e-12)
    # From 2.83 V to 5.66 V is 6.0206 dB (factor 2).
    np.testing.assert_allclose(deltas_of([85.0, 90.0], [2.83, 5.66]).delta_db[1], -1.0206, atol=5e-5)


def responses():
    corner = st.floats(-30, 30)
    return st.lists(corner, min_size=5, max_size=5).map(
        lambda dB: np.interp(np.log(FREQUENCY), np.log([20, 100, 1000, 5000, 20_000]), dB)
    )


@given(responses(), st.floats(0.1, 5), st.floats(1.1, 20), st.sampled_from([None, 1.0, 3.0, 12.0]))
def test_a_linear_device_has_no_compression_whatever_its_response(response, low, ratio, smoothing):
    level = 80 + response + 20 * np.log10(np.array([[low], [low * ratio]]))
    level[1, 17], level[0, 60:64] = np.nan, np.nan
    found = compression_deltas(FREQUENCY, level, [low, low * ratio], smoothing=smoothing)
    used = found.flag == USED
    assert used[1].sum() == FREQUENCY.size - 5
    np.testing.assert_allclose(found.delta_db[used], 0, atol=1e-9)
    assert np.isnan(found.delta_db[~used]).all()
    bands = octave_bands(FREQUENCY, level, [low, low * ratio], found.flag)
    np.testing.assert_allclose(bands.delta_db[np.isfinite(bands.delta_db)], 0, atol=1e-9)


@given(responses(), st.floats(-60, 60), st.sampled_from([None, 6.0]))
def test_a_constant_added_to_all_levels_changes_nothing(response, constant, smoothing):
    level = np.stack([80 + response, 85 + 0.9 * response])
    before, after = (
        compression_deltas(FREQUENCY, level + add, [1.0, 2.0], 20.0 + add + 0 * level, smoothing)
        for add in (0.0, constant)
    )
    np.testing.assert_allclose(after.delta_db, before.delta_db, atol=1e-9)
    np.testing.assert_array_equal(after.flag, before.flag)


def test_noise_moves_a_level_as_much_as_is_said():
    """Random phasors, 60 000 of them: the spread of the levels agrees with the formula to 3 %."""
    rng = np.random.default_rng(20)
    for snr in (20.0, 30.0, 40.0):
        noise = (rng.standard_normal(60_000) + 1j * rng.standard_normal(60_000)) / np.sqrt(2) * 10 ** (-snr / 20)
        spread = np.std(20 * np.log10(np.abs(1 + noise)))
        assert noise_uncertainty(snr) == pytest.approx(spread, rel=0.03)
    assert noise_uncertainty(5.0) == np.inf


def test_a_level_buried_in_noise_is_masked():
    """A bass that falls into the noise of the low drive: its delta would say many dB, and is not given."""
    rng = np.random.default_rng(4)
    drives = np.array([0.1, 10.0])
    true = 80 + 20 * np.log10(drives)[:, np.newaxis] - 24 * np.log2(np.maximum(100 / FREQUENCY, 1))
    hiss = 10 ** (30 / 20) * (rng.standard_normal(true.shape) + 1j * rng.standard_normal(true.shape)) / np.sqrt(2)
    level = 20 * np.log10(np.abs(10 ** (true / 20) + hiss))
    noise = np.full(true.shape, 30.0)
    found = compression_deltas(FREQUENCY, level, drives, noise)
    snr = true[0] - 30.0
    assert (found.flag[1][snr < 0] == NOISE).all() and np.isnan(found.delta_db[1][snr < 0]).all()
    # 2 sqrt(2) 8.686 / sqrt(2) 10^(-snr/20) is 0.5 dB at 30.8 dB (the high drive stands 40 dB better).
    assert (found.flag[1][snr > 29] == USED).all()
    given_ = found.flag[1] == USED
    assert np.abs(found.delta_db[1][given_]).max() < 1.0 and np.abs(level[1] - level[0] - 40).max() > 10.0
    blind = compression_deltas(FREQUENCY, level, drives)
    assert not blind.noise_known and (blind.flag == USED).all()


@pytest.mark.parametrize("step", [1.0, 0.5, 0.1, 0.05, 0.01, 0.001])
@pytest.mark.parametrize("offset", [0.0, 7.9588])
def test_rounding_of_a_table_is_seen(step, offset):
    level = 85 + 6 * np.sin(np.log(FREQUENCY) * 2) - 0.7 * np.log2(FREQUENCY / 1000) ** 2
    rounded = np.round(level / step) * step + offset
    assert level_resolution(rounded) == step
    assert level_resolution(rounded.astype(np.float32)) == step
    assert level_resolution(level + offset) == 0.0
    assert level_resolution(np.full(50, 85.0)) == 0.0


def test_coarse_rounding_rules():
    """Two levels rounded to s each: standard uncertainty s / sqrt 6 (GUM, F.2.2.1); 2 x 0.408 dB for whole decibels."""
    level = 85 + 6 * np.sin(np.log(FREQUENCY) * 2)
    coarse = np.round(np.stack([level, level + 20.0]))
    found = compression_deltas(FREQUENCY, coarse, [1.0, 10.0])
    assert found.resolution_db.tolist() == [1.0, 1.0]
    assert (found.flag[1] == ROUNDING).all() and np.isnan(found.delta_db[1]).all()
    np.testing.assert_allclose(found.uncertainty_db[1], 2 / np.sqrt(6), rtol=1e-9)
    fine = compression_deltas(FREQUENCY, np.round(np.stack([level, level + 20.0]), 1), [1.0, 10.0])
    assert (fine.flag == USED).all()
    np.testing.assert_allclose(fine.uncertainty_db[1], 0.2 / np.sqrt(6), rtol=1e-9)


def test_what_was_not_measured_is_flagged():
    level = everywhere([80.0, 85.0])
    level[1, :5] = np.nan
    found = compression_deltas(FREQUENCY, level, [1.0, 2.0])
    assert (found.flag[1, :5] == MISSING).all() and (found.flag[0, :5] == USED).all()


def test_bands_between_the_crossings():
    """A delta that falls as a straight line over log frequency below 200 Hz: -1 dB an octave below."""
    delta = np.minimum(0.0, np.log2(FREQUENCY / 200.0))
    (below,) = passed_bands(FREQUENCY, delta, -1.0)
    assert below.high_hz == pytest.approx(100.0, rel=1e-3) and (below.low_open, below.high_open) == (True, False)
    assert (below.deepest_hz, below.deepest_db) == (FREQUENCY[0], pytest.approx(-3.3219, abs=1e-4))
    notch = -3.0 * np.maximum(0.0, 1 - np.abs(np.log2(FREQUENCY / 1000.0)))
    (middle,) = passed_bands(FREQUENCY, notch, -1.5)
    assert (middle.low_hz, middle.high_hz) == (pytest.approx(707.1, rel=2e-3), pytest.approx(1414.2, rel=2e-3))
    assert passed_bands(FREQUENCY, notch, -3.5) == ()
    gap = np.where(FREQUENCY > 1000.0, np.nan, notch)
    assert passed_bands(FREQUENCY, gap, -1.5)[0].high_open


@pytest.mark.parametrize(
    ("low_open", "high_open", "words"),
    [
        (True, True, "at least 50 to 80 Hz"),
        (True, False, "up to 80 Hz, from 50 Hz or below"),
        (False, True, "from 50 Hz, up to 80 Hz or above"),
        (False, False, "50 to 80 Hz"),
    ],
)
def test_an_open_end_is_said(low_open, high_open, words):
    assert in_words(ExceedanceBand(50.0, 50.0, True, True, -2.0, 50.0)) == "at 50 Hz, with no data on either side"
    assert in_words(ExceedanceBand(50.0, 80.0, low_open, high_open, -2.0, 60.0)) == words


def test_octave_bands_of_a_clipper_pass_1_db_where_the_closed_form_does():
    """The limiter has lost 1 dB at A = 1.259542 and 3 dB at 1.686740 (closed form, computed apart)."""
    drives = np.geomspace(0.5, 4.0, 91)
    level = everywhere(90 + fundamental(lambda x: np.clip(x, -1, 1), drives, 2**14))
    bands = octave_bands(FREQUENCY, level, drives, np.zeros(level.shape, int))
    assert bands.centre_hz[0] == pytest.approx(31.62, abs=0.01) and bands.centre_hz[-1] == pytest.approx(7943, abs=1)
    for limit, volt in ((-1.0, 1.259542), (-3.0, 1.686740)):
        found = limit_reached(drives, bands.level_db[:, 3], bands.delta_db[:, 3], limit)
        assert found.drive_v == pytest.approx(volt, rel=1e-3) and found.reason == ""
        assert found.level_db == pytest.approx(90 + 20 * np.log10(volt) + limit, abs=0.01)
        assert found.bracket_v[0] < volt < found.bracket_v[1]


def test_a_limit_is_never_extrapolated():
    drives, level = [1.0, 2.0, 4.0], np.array([80.0, 86.0, 91.7])
    found = limit_reached(drives, level, [0.0, -0.02, -0.34])
    assert found.drive_v is None and found.reason == "-1 dB not reached up to 4 V, 91.7 dB"
    missing = limit_reached(drives, [80.0, 86.0, np.nan], [0.0, -0.02, np.nan])
    assert "at higher drives too little" in missing.reason and missing.highest_v == 2.0
    assert "fewer than two" in limit_reached(drives, [80.0, np.nan, np.nan], [0.0, np.nan, np.nan]).reason


def test_a_band_half_masked_has_no_level():
    level = everywhere([80.0, 85.0])
    flag = np.zeros(level.shape, int)
    flag[1, (FREQUENCY > 710) & (FREQUENCY < 1000)] = NOISE
    bands = octave_bands(FREQUENCY, level, [1.0, 2.0], flag)
    at = int(np.argmin(np.abs(bands.centre_hz - 1000)))
    assert np.isnan(bands.level_db[1, at]) and np.isfinite(bands.level_db[0, at])
    assert np.isfinite(np.delete(bands.level_db[1], at)).all()


def test_level_and_shape_come_apart():
    """1.2 dB less everywhere, 2 dB less still below 100 Hz: the first is the level, the second the shape."""
    delta = np.stack([0 * FREQUENCY, np.where(FREQUENCY < 100, -3.2, -1.2)])
    found = level_and_shape(FREQUENCY, delta, (300.0, 3000.0))
    np.testing.assert_allclose(found.level_db, [0.0, -1.2], atol=1e-12)
    np.testing.assert_allclose(found.shape_db[1], np.where(FREQUENCY < 100, -2.0, 0.0), atol=1e-12)
    # 2 dB over log2(5) of log2(1000) octaves.
    assert found.shape_rms_db[1] == pytest.approx(2 * np.sqrt(np.log(5) / np.log(1000)), rel=0.02)
    masked = np.where(FREQUENCY < 1500, np.nan, delta)
    assert np.isnan(level_and_shape(FREQUENCY, masked, (300.0, 3000.0)).level_db).all()


def test_a_level_that_rises_more_than_the_drive_is_told():
    assert unequal_gain([1.0, 2.0], [0.0, -0.3]) == ()
    (words,) = unequal_gain([1.0, 2.0, 4.0], [0.0, 6.02, np.nan])
    assert words.startswith("at 2 V the level rises by 6.0 dB more than the drive")


@pytest.mark.parametrize(
    ("level", "drive", "message"),
    [
        (everywhere([80, 81]), [2.0, 1.0], "ascending"),
        (everywhere([80, 81]), [0.0, 1.0], "above 0 V"),
        (everywhere([80, 81]), [1.0], "one row for each drive"),
        (everywhere([80, 81])[:, :3], [1.0, 2.0], "frequencies"),
    ],
)
def test_what_cannot_be_compared_is_refused(level, drive, message):
    with pytest.raises(ValueError, match=message):
        compression_deltas(FREQUENCY, level, drive)
