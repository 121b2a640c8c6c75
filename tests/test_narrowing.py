"""Narrowing of beams against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.directivity.narrowing import first_narrowing, narrowing_frequency
from beams import BAND, RADIUS, SPEED, beam_of_half_angles, constant_beam, piston_beam


def test_the_frequency_at_which_a_piston_narrows():
    """x = ka sin 45° = 2.211785 gives ka = 3.12793 for a total of 90 degrees."""
    found = narrowing_frequency(piston_beam(), 90.0)
    ka = 2.211785 / np.sin(np.pi / 4)
    assert found.frequency_hz == pytest.approx(ka * SPEED / (2 * np.pi * RADIUS), rel=1e-3)


def test_a_beam_that_narrows_and_widens_again():
    """Straight over log frequency: 60° at 1 kHz, 30° at 2 kHz, 60° at 4 kHz cross 45° half an octave off 2 kHz."""
    beam = beam_of_half_angles(60 - 30 * np.clip(1 - np.abs(np.log2(BAND / 2000)), 0, None))
    found = first_narrowing(beam, 90.0)
    assert found.frequency_hz == pytest.approx(2000 / np.sqrt(2), rel=2e-3)
    assert found.until_hz == pytest.approx(2000 * np.sqrt(2), rel=2e-3)
    assert narrowing_frequency(beam, 90.0).frequency_hz is None
    assert "nowhere narrower" in first_narrowing(beam, 90.0, octaves=1.1).reason


def test_the_first_narrowing_of_a_piston_is_its_last():
    beam = piston_beam()
    first = first_narrowing(beam, 90.0)
    assert first.frequency_hz == narrowing_frequency(beam, 90.0).frequency_hz
    assert first.until_hz == BAND[-1]
    assert first_narrowing(constant_beam(60.0), 90.0).frequency_hz == BAND[0]
    with pytest.raises(ValueError, match="between 0 and 360"):
        first_narrowing(beam, 360.0)


def test_a_beam_that_never_narrows_has_no_such_frequency():
    assert "wide or wider" in narrowing_frequency(constant_beam(100.0), 90.0).reason
    assert "narrower than 90° from 500 Hz on" in narrowing_frequency(constant_beam(60.0), 90.0).reason
    with pytest.raises(ValueError, match="between 0 and 360"):
        narrowing_frequency(constant_beam(60.0), 0.0)
