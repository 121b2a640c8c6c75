"""Extremes of the phase."""

import numpy as np
import pytest

from anechain.acoustics.impedance.phase_range import phase_range
from impedance_circuits import GRID, both, closed_box


def test_phase_extremes_of_a_closed_box():
    """A parallel resonance is inductive below and capacitive above: equal angles, geometrically about it."""
    z = closed_box()
    found = phase_range(GRID, both(z)[1])
    assert found.most_inductive_deg == pytest.approx(-found.most_capacitive_deg, abs=0.05)
    assert found.most_inductive_hz * found.most_capacitive_hz == pytest.approx(45.0**2, rel=0.02)
    assert found.most_inductive_deg == pytest.approx(np.rad2deg(np.arcsin(30.0 / (30.0 + 2 * 5.8))), abs=0.05)
    assert phase_range(GRID, None).reason == "the phase was not measured"
    assert "no value" in phase_range(GRID, np.full(GRID.size, np.nan)).reason
