"""Rounding of exported levels, and uncertainty caused by noise."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.reading_uncertainty import level_resolution, noise_uncertainty
from compressed_levels import FREQUENCY


def test_noise_changes_a_level_by_its_uncertainty():
    """Random phasors, 60 000 of them: the spread of the levels agrees with the formula to 3 %."""
    rng = np.random.default_rng(20)
    for snr in (20.0, 30.0, 40.0):
        noise = (rng.standard_normal(60_000) + 1j * rng.standard_normal(60_000)) / np.sqrt(2) * 10 ** (-snr / 20)
        spread = np.std(20 * np.log10(np.abs(1 + noise)))
        assert noise_uncertainty(snr) == pytest.approx(spread, rel=0.03)
    assert noise_uncertainty(5.0) == np.inf


@pytest.mark.parametrize("step", [1.0, 0.5, 0.1, 0.05, 0.01, 0.001])
@pytest.mark.parametrize("offset", [0.0, 7.9588])
def test_rounding_of_a_table_is_seen(step, offset):
    level = 85 + 6 * np.sin(np.log(FREQUENCY) * 2) - 0.7 * np.log2(FREQUENCY / 1000) ** 2
    rounded = np.round(level / step) * step + offset
    assert level_resolution(rounded) == step
    assert level_resolution(rounded.astype(np.float32)) == step
    assert level_resolution(level + offset) == 0.0
    assert level_resolution(np.full(50, 85.0)) == 0.0
