"""Heating of a voice coil against handbook values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.coil_heating import TEMPERATURE_COEFFICIENTS, implied_temperature_rise


def test_coefficients():
    """Copper 3930 ppm/K (international annealed copper); aluminium about 0.0040 /K (recalled)."""
    assert {"copper": 3930e-6, "aluminium": pytest.approx(0.0040, rel=0.01)} == TEMPERATURE_COEFFICIENTS


@pytest.mark.parametrize(("rise", "loss"), [(50, 1.5583), (100, 2.8790), (150, 4.0252), (200, 5.0376), (250, 5.9443)])
def test_the_textbook_formula(rise, loss):
    """20 lg(R / R0) at constant voltage; values computed apart."""
    assert implied_temperature_rise(-loss) == pytest.approx(rise, abs=5e-3)


def test_a_published_example():
    """From 20 to 200 °C: resistance up by about 72 %, 4.7 dB less (reference text, second hand)."""
    assert implied_temperature_rise(-4.7) == pytest.approx(180.0, abs=5.0)


@pytest.mark.parametrize(("series", "loss"), [(0, 2.8790), (1, 2.5217), (2, 2.2437), (6, 1.5583), (24, 0.6572)])
def test_series_resistance_makes_the_loss_smaller(series, loss):
    """20 lg((R0 + Rs + R0 a dT) / (R0 + Rs)) for 6 ohm and 100 K; values computed apart."""
    assert implied_temperature_rise(-loss, series / 6.0) == pytest.approx(100.0, abs=0.01)


@given(st.floats(0, 300), st.floats(0.5, 16), st.floats(0, 5), st.sampled_from(["copper", "aluminium"]))
def test_the_rise_of_a_loss_by_the_formula(rise, resistance, ratio, conductor):
    """Level lost at constant voltage, -20 lg |(Z + R0 a dT) / Z|, turned back into the rise of temperature."""
    cold = resistance * (1 + ratio)
    loss = -20 * np.log10((cold + resistance * TEMPERATURE_COEFFICIENTS[conductor] * rise) / cold)
    assert implied_temperature_rise(loss, ratio, conductor) == pytest.approx(rise, abs=1e-6)


def test_a_level_that_rose_implies_no_heat():
    assert np.isnan(implied_temperature_rise([0.2, np.nan])).all()
    for bad in ({"conductor": "silver"}, {"series_resistance_ratio": -1.0}):
        with pytest.raises(ValueError, match="must be"):
            implied_temperature_rise(-1.0, **bad)
