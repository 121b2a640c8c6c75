"""Peak dissipation in a class B stage."""

import numpy as np
import pytest

from anechain.acoustics.impedance.equivalent_dissipation import dissipation_factor, equivalent_dissipation
from impedance_circuits import GRID, both, closed_box


@pytest.mark.parametrize("phase", [0.0, 20.0, 45.0, 60.0, 90.0, -30.0, -75.0])
def test_peak_dissipation_against_the_time_function(phase):
    """Ideal class B, rail = peak of the sine: largest of (1 - sin t) sin(t - phase), searched over the whole period."""
    t = np.linspace(0, 2 * np.pi, 200001)
    largest = ((1 - np.sin(t)) * np.sin(t - np.deg2rad(phase))).max()
    assert dissipation_factor(phase) == pytest.approx(0.25 / largest, rel=1e-6)


def test_a_resistance_is_its_own_equivalent_and_a_reactance_is_worse():
    """A pure reactance: (1 + 1/2) cos 30° = 1.299, so a resistance of 0.19245 of the modulus (closed form)."""
    assert dissipation_factor([0.0, 90.0, -90.0]) == pytest.approx([1.0, 0.19245, 0.19245], abs=1e-5)
    modulus, phase = both(closed_box())
    found = equivalent_dissipation(GRID, modulus, phase)
    assert found.minimum_ohm < modulus.min() and np.all(found.resistance_ohm <= modulus * (1 + 1e-9))
    assert equivalent_dissipation(GRID, modulus, None).reason == "the phase was not measured"
    assert "no value" in equivalent_dissipation(GRID, modulus, phase, (1.0, 5.0)).reason
