"""The uncertainty budget of an impedance, from statements and repeated takes."""

import numpy as np
import pytest

import valid_datasets
from anechain.data.uncertainty_budget import NOT_STATED
from anechain.figure_of_merit.impedance_budget import impedance_budget
from test_stated_uncertainty import stated


def test_the_budget_of_an_impedance():
    """One per cent as limits of a rectangular distribution: 1 / sqrt(3) (JCGM 100:2008, 4.3.7)."""
    data = valid_datasets.impedance()
    plain = data.drop_vars([name for name in ("magnitude_std", "phase_std", "takes") if name in data])
    modulus, phase, repeats = impedance_budget(plain, stated(impedance={"value": 1.0, "kind": "rectangular"}))
    assert modulus.standard == pytest.approx([1 / np.sqrt(3)] * 3) and modulus.standard_unit == "%"
    assert phase.reason == NOT_STATED and "no take" in repeats.reason
    several = plain.assign(
        magnitude_std=plain["magnitude"] * 0.03, takes=("frequency", np.full(plain.sizes["frequency"], 9))
    )
    repeats = impedance_budget(several, {})[2]
    assert repeats.standard == pytest.approx((1.0, 1.0, 1.0)) and repeats.of_one == pytest.approx(3.0)
    assert "of the mean of 9 takes, 1 % (median; 3 % for one take" in repeats.text
    without = impedance_budget(plain.drop_vars("phase"), stated(impedance_phase={"value": 1.0}))[1]
    assert without.reason == "the phase was not measured"
