"""Compression of the fundamental: nonlinearities with a closed form, and masking by noise and rounding."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.compression_deltas import MISSING, NOISE, ROUNDING, USED, compression_deltas
from anechain.acoustics.nonlinear.octave_compression import octave_bands
from compressed_levels import FREQUENCY, everywhere, fundamental


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
