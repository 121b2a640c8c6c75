"""Smoothing of complex pressure against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.recording.complex_smoothing import complex_smooth


def test_complex_smoothing_keeps_a_constant_and_follows_its_closed_form():
    """Mean of exp(j a ln f) over a window w wide in ln f: the same times sin(a w / 2) / (a w / 2)."""
    frequency = np.geomspace(20, 20000, 4001)
    np.testing.assert_allclose(complex_smooth(frequency, np.full(4001, 2 - 1j), 6), 2 - 1j, rtol=1e-12)
    turn, width = 5.0, np.log(2) / 3
    wave = np.exp(1j * turn * np.log(frequency))
    inner = slice(400, -400)
    expected = np.sinc(turn * width / 2 / np.pi) * wave
    np.testing.assert_allclose(complex_smooth(frequency, wave, 3)[inner], expected[inner], rtol=1e-4)


def test_complex_smoothing_of_samples_far_apart():
    # Straight lines from 1 to 5j and to -1, an octave each: the mean over 1/12 octave on both sides is 5j (1 - 1/24).
    frequency = np.array([100.0, 200.0, 400.0])
    values = np.array([1.0, 5j, -1.0])
    np.testing.assert_allclose(complex_smooth(frequency, values, 6), [1, 5j * 23 / 24, -1], rtol=1e-12)
    assert (complex_smooth(frequency[:2], values[:2], 6) == values[:2]).all()
    with pytest.raises(ValueError, match="above zero"):
        complex_smooth(frequency, values, 0)
