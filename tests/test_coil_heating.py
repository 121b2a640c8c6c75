"""Heating of a voice coil against handbook values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.coil_heating import (
    TEMPERATURE_COEFFICIENTS,
    heating_loss,
    implied_rise,
    resistance_ratio,
)


def test_coefficients():
    """Copper 3930 ppm/K (international annealed copper); aluminium about 0.0040 /K (recalled)."""
    assert {"copper": 3930e-6, "aluminium": pytest.approx(0.0040, rel=0.01)} == TEMPERATURE_COEFFICIENTS
    assert resistance_ratio(100.0) == pytest.approx(1.393)


@pytest.mark.parametrize(("rise", "loss"), [(50, 1.5583), (100, 2.8790), (150, 4.0252), (200, 5.0376), (250, 5.9443)])
def test_the_textbook_formula(rise, loss):
    """20 lg(R / R0) at constant voltage; values computed apart."""
    assert heating_loss(rise, 6.0) == pytest.approx(-loss, abs=5e-5)


def test_a_published_example():
    """From 20 to 200 °C: resistance up by about 72 %, 4.7 dB less (reference text, second hand)."""
    assert resistance_ratio(180.0) == pytest.approx(1.72, abs=0.02)
    assert heating_loss(180.0, 4.0) == pytest.approx(-4.7, abs=0.1)


@pytest.mark.parametrize(
    ("series", "loss"),
    [(0, 2.8790), (1, 2.5217), (2, 2.2437), (6, 1.5583), (24, 0.6572), (3j, 2.4362), (6j, 1.6738)],
)
def test_what_stands_in_series_makes_the_loss_smaller(series, loss):
    """-20 lg |(Z + R0 a dT) / Z| for 6 ohm and 100 K; values computed apart."""
    assert heating_loss(100.0, 6.0, series) == pytest.approx(-loss, abs=5e-5)


@given(st.floats(0, 300), st.floats(0.5, 16), st.floats(0, 5), st.sampled_from(["copper", "aluminium"]))
def test_the_inverse_gives_the_rise_back(rise, resistance, share, conductor):
    loss = heating_loss(rise, resistance, share * resistance, conductor)
    assert implied_rise(loss, share, conductor) == pytest.approx(rise, abs=1e-6)


def test_a_level_that_rose_implies_no_heat():
    assert np.isnan(implied_rise([0.2, np.nan])).all()
    for bad in ({"conductor": "silver"}, {"series_resistance_ratio": -1.0}):
        with pytest.raises(ValueError):
            implied_rise(-1.0, **bad)
    with pytest.raises(ValueError, match="resistance"):
        heating_loss(50.0, 0.0)
