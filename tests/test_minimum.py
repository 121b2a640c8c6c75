"""Minimum of the impedance modulus."""

import numpy as np
import pytest

from anechain.acoustics.impedance.minimum import minimum_impedance
from impedance_circuits import GRID


def test_the_minimum_lies_between_resonance_and_inductance():
    """Series R L C: the minimum modulus is R at 1/(2 pi sqrt(L C))."""
    w = 2 * np.pi * GRID
    z = 6.4 + 1j * w * 1e-3 + 1 / (1j * w * 20e-6)
    found = minimum_impedance(GRID, np.abs(z))
    assert found.magnitude_ohm == pytest.approx(6.4, rel=1e-3)
    assert found.frequency_hz == pytest.approx(1 / (2 * np.pi * np.sqrt(1e-3 * 20e-6)), rel=2e-3)
    assert not found.at_edge


def test_a_minimum_at_the_edge_is_said_to_be_there():
    found = minimum_impedance(GRID, np.abs(5 + 2j * np.pi * GRID * 1e-3), (1000.0, 20000.0))
    assert found.at_edge and found.frequency_hz == pytest.approx(1000.0, rel=0.02)
    assert (
        minimum_impedance(GRID, np.full(GRID.size, 8.0), (1.0, 5.0)).reason == "the impedance has no value in the band"
    )
    with pytest.raises(ValueError, match="above zero"):
        minimum_impedance(GRID, np.zeros(GRID.size))
