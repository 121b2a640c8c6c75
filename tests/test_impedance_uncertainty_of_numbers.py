"""Uncertainty of what is read off an impedance, against first order by hand on a vented box of known parameters."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from anechain.acoustics.impedance.box_tuning import box_tuning
from anechain.acoustics.impedance.minimum import minimum_impedance
from anechain.campaign.numbers import NumbersUncertainty
from anechain.campaign.uncertainty import Stated
from anechain.data import contract
from anechain.figure_of_merit.impedance_uncertainty import (
    impedance_errors,
    minimum_uncertainty,
    monte_carlo_of_impedance,
    monte_carlo_uncertainty,
    uncertainty_dataset,
)

GRID = np.geomspace(10.0, 20000.0, 96 * 11)
OPTIONS = NumbersUncertainty(draws=2000)


def vented(frequency=GRID, tuning=40.0, resonance=38.0, electrical_q=0.4, mechanical_q=4.0, ratio=1.5, coil=5.6):
    """Small 1973 (recalled): Res = Re Qms/Qes, Cmes = Qes/(ws Re), Lces = Re/(ws Qes), Lceb = Lces Vb/Vas; wb."""
    s, omega, box = 2j * np.pi * frequency, 2 * np.pi * resonance, 2 * np.pi * tuning
    inductance = coil / (omega * electrical_q)
    air = inductance / ratio
    motion = electrical_q / (mechanical_q * coil) + s * electrical_q / (omega * coil) + 1 / (s * inductance)
    return coil + s * 0.2e-3 + 1 / (motion + 1 / (s * air + box**2 * air / s))


def dataset(z, phase=True, takes=0, share=0.0, degrees=0.0, frequency=GRID):
    data = {"magnitude": ("frequency", np.abs(z))}
    if phase:
        data["phase"] = ("frequency", np.rad2deg(np.angle(z)))
    if takes:
        data["magnitude_std"] = ("frequency", share * np.abs(z))
        data["takes"] = ("frequency", np.full(frequency.size, takes))
        if phase:
            data["phase_std"] = ("frequency", np.full(frequency.size, degrees))
    return xr.Dataset(data, {"frequency": frequency}, {"device": "rowan", "title": "Rowan"})


def stated(**components):
    """The section as a campaign hands it on."""
    return {
        name: Stated.model_validate(one if isinstance(one, dict) else {"value": one}).model_dump(mode="json")
        for name, one in components.items()
    }


def errors_of(data, options=OPTIONS, **components):
    return impedance_errors(data, stated(**components), options)


def values(data):
    return data["magnitude"].values, data["phase"].values if "phase" in data else None


def tunings(modulus, phase):
    box = box_tuning(GRID, modulus, phase)
    return {"tuning": box.tuning_hz, "zero": box.zero_phase_hz}


def search(frequency):
    return lambda modulus: minimum_impedance(frequency, modulus).magnitude_ohm


def least_of(data, errors):
    frequency, magnitude = data["frequency"].values, data["magnitude"].values
    least = minimum_impedance(frequency, magnitude)
    return least, minimum_uncertainty(
        errors, magnitude, (least.magnitude_ohm, least.frequency_hz), search(frequency), 2.0
    )


def test_one_per_cent_of_the_modulus_is_one_per_cent_of_its_minimum():
    data = dataset(vented())
    least, spread = least_of(data, errors_of(data, impedance=1.0))
    assert (
        spread.standard == pytest.approx(0.01 * least.magnitude_ohm, rel=1e-6) and "first order" in spread.propagation
    )
    # Rectangular limits: half the width over root 3 (GUM, 4.3.7).
    _, spread = least_of(data, errors_of(data, impedance={"value": 1.0, "kind": "rectangular"}))
    assert spread.standard == pytest.approx(0.01 * least.magnitude_ohm / np.sqrt(3), rel=1e-6) and not spread.note


def test_a_phase_error_moves_the_zero_by_its_size_over_the_slope():
    data = dataset(vented())
    errors = errors_of(data, impedance_phase=0.5)
    found = monte_carlo_uncertainty(errors, monte_carlo_of_impedance(errors, *values(data), tunings)["zero"], "phase")
    # By hand: df = d / (dphase/df) at the crossing, on the circuit itself and not on its samples.
    near = np.linspace(36.0, 44.0, 80_001)
    phase = np.rad2deg(np.angle(vented(near)))
    at = int(np.argmin(np.abs(phase)))
    slope = np.gradient(phase, near)[at]
    assert near[at] == pytest.approx(40.0, rel=0.01)
    assert found.standard == pytest.approx(0.5 / abs(slope), rel=0.05)


def test_a_tilted_error_of_the_modulus_moves_the_saddle():
    """By hand: Z(x) (1 + e a (x - c)) has its least value at -e a Z/Z'' octaves from that of Z, to first order."""
    data = dataset(vented())
    # 0.5 % at 20 Hz, 2.5 % at 80 Hz: over log frequency it rises by 1 % an octave.
    errors = errors_of(data, impedance={"value": ((20.0, 0.5), (80.0, 2.5))})
    found = monte_carlo_uncertainty(errors, monte_carlo_of_impedance(errors, *values(data), tunings)["tuning"])
    octaves = np.log2(40.0) + np.linspace(-0.02, 0.02, 4001)
    modulus = np.abs(vented(2**octaves))
    at = int(np.argmin(modulus))
    bend = np.gradient(np.gradient(modulus, octaves), octaves)[at]
    assert found.standard == pytest.approx(0.01 * modulus[at] / bend * np.log(2) * 2 ** octaves[at], rel=0.06)


def test_one_relative_error_does_not_move_the_saddle():
    data = dataset(vented())
    errors = errors_of(data, impedance=1.0)
    spread = monte_carlo_uncertainty(errors, monte_carlo_of_impedance(errors, *values(data), tunings)["tuning"])
    assert spread.standard is None and "does not change this number; no take was repeated" in spread.reason


def test_the_spread_of_takes_moves_it_though_nothing_is_stated():
    data = dataset(vented(), takes=4, share=0.002)
    errors = errors_of(data)
    found = monte_carlo_of_impedance(errors, *values(data), tunings)
    once = monte_carlo_uncertainty(errors, found["tuning"])
    assert "repeatability of takes" in once.propagation and "stated" not in once.propagation
    # What one error at all frequencies would move is not known without the statement.
    assert "the uncertainty would be too small" in monte_carlo_uncertainty(errors, found["zero"], "phase").reason
    assert "the uncertainty would be too small" in least_of(data, errors)[1].reason
    alike = dataset(vented(), takes=16, share=0.004)
    same = errors_of(alike)
    assert monte_carlo_uncertainty(
        same, monte_carlo_of_impedance(same, *values(alike), tunings)["tuning"]
    ).standard == pytest.approx(once.standard)


def test_takes_add_to_what_is_stated_and_lower_a_least_value():
    """The largest of 100 independent normal errors is 2.5076 standard deviations on average (Tippett 1925)."""
    grid = np.geomspace(20.0, 20000.0, 100)
    data = dataset(np.full(100, 8.0 + 0j), takes=4, share=0.02, frequency=grid)
    errors = replace(errors_of(data, NumbersUncertainty(draws=2000), impedance=1.0), own_octaves=0.001)
    _, spread = least_of(data, errors)
    # Own part 2 % over root 4 is 1 %, with the stated 1 %: root 2 per cent of 8 ohm.
    assert spread.standard == pytest.approx(0.08 * np.sqrt(2), rel=1e-6)
    by = float(spread.note.split("by ")[1].split(" Ω")[0])
    assert by == pytest.approx(2.5076 * 0.08, abs=0.01)
    assert "degrees of freedom" not in spread.note  # four times three: twelve
    _, few = least_of(
        data, errors_of(dataset(np.full(100, 8.0 + 0j), takes=2, share=0.02, frequency=grid), impedance=0.01)
    )
    assert "with 1.0 degrees of freedom k = 2 covers less than 95 %" in few.note


def test_an_uncertainty_too_large_loses_draws_and_says_so():
    """60 %: a modulus is not above zero where the error is below -1.667 standard deviations, in 4.78 % of draws."""
    data = dataset(vented())
    errors = errors_of(data, impedance=60.0, impedance_phase=1.0)
    found = monte_carlo_of_impedance(errors, *values(data), tunings)["zero"]
    assert found.draws - found.determined == pytest.approx(0.0478 * 2000, abs=35)
    assert (
        f"not determined in {found.draws - found.determined} of 2000 draws"
        in monte_carlo_uncertainty(errors, found, "phase").note
    )
    lost = monte_carlo_of_impedance(errors, *values(data), lambda modulus, _: {"none": None})["none"]
    assert monte_carlo_uncertainty(errors, lost).reason == "the number is not determined"


def test_nothing_stated_is_a_gap_with_its_reason():
    data = dataset(vented())
    errors = errors_of(data, gain_and_drive=0.1)
    assert least_of(data, errors)[1].reason == "no uncertainty of the impedance is stated in the campaign"
    assert "the impedance's phase" in errors.reasons["phase"] and errors.components == ()
    assert uncertainty_dataset(data, errors, 2.0) is None
    moved = monte_carlo_uncertainty(errors, monte_carlo_of_impedance(errors, *values(data), tunings)["tuning"])
    assert moved.standard is None and moved.reason == errors.reasons["modulus"]


def test_the_dataset_holds_what_is_known():
    data = dataset(vented(), takes=4, share=0.01, degrees=0.2)
    told = uncertainty_dataset(data, errors_of(data, impedance=1.0, impedance_phase=0.5), 2.0)
    contract.validate(told, "impedance_uncertainty", "rowan")
    assert told["magnitude_own"].values == pytest.approx(0.005 * np.abs(vented()))
    assert told["phase_own"].values == pytest.approx(0.1) and told["phase_common"].values == pytest.approx(0.5)
    assert "of the mean of 4 takes, 0.5 % (median; 1 % for one take" in told.attrs["uncertainty"]
    half = uncertainty_dataset(data, errors_of(data, impedance_phase=0.5), 2.0)
    assert half["magnitude_common"].isnull().all() and half["phase_common"].values == pytest.approx(0.5)
    contract.validate(half, "impedance_uncertainty", "rowan")
    bare = dataset(vented(), phase=False)
    assert set(uncertainty_dataset(bare, errors_of(bare, impedance=1.0, impedance_phase=0.5), 2.0).data_vars) == {
        "magnitude_common",
        "magnitude_own",
    }


def test_the_same_input_gives_the_same_spread():
    data = dataset(vented(), takes=3, share=0.01, degrees=0.2)
    errors = errors_of(data, impedance=1.0, impedance_phase=0.5)
    assert monte_carlo_of_impedance(errors, *values(data), tunings) == monte_carlo_of_impedance(
        errors, *values(data), tunings
    )
