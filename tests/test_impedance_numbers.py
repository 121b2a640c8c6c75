"""Numbers of an impedance with what is stated of it: what a reader is told, and what he is told when it is open."""

import re
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

from anechain.campaign.choices import DeviceNumbers, Numbers, Stated
from anechain.figure_of_merit import impedance

GRID = np.geomspace(10.0, 20000.0, 96 * 11)
STATED = {"impedance": 1.0, "impedance_phase": 0.5}


def vented(tuning=40.0):
    """Coil of 5.6 ohm, and a driver whose motion a lossless port shorts at the tuning (Small 1973)."""
    s, omega = 2j * np.pi * GRID, 2 * np.pi * tuning
    return 5.6 + 1 / (1 / 60 + s * 300e-6 + omega**2 * 300e-6 / s + 1 / (s * 30e-3 + omega**2 * 30e-3 / s)) + s * 0.1e-3


def told(z, stated, claimed=None, **columns):
    data = xr.Dataset(
        {
            "magnitude": ("frequency", np.abs(z)),
            "phase": ("frequency", np.rad2deg(np.angle(z))),
            **{name: ("frequency", np.broadcast_to(one, GRID.shape)) for name, one in columns.items()},
        },
        {"frequency": GRID},
        {"device": "rowan", "title": "Rowan"},
    )
    given = SimpleNamespace(
        options=Numbers.model_validate({"uncertainty": {"draws": 1000}}),
        device_options=DeviceNumbers(rated_impedance=claimed),
        datasets={"impedance": data},
        stated={name: Stated(value=one).model_dump(mode="json") for name, one in stated.items()},
    )
    errors = impedance.errors_of(given)
    return {one.id: one for one in impedance.numbers(given, errors)}, impedance.impedance_uncertainty_dataset(
        given, errors
    )


def test_every_number_has_its_uncertainty():
    found, dataset = told(vented(), STATED)
    least = found["impedance.minimum"]
    assert least.uncertainty == pytest.approx(0.02 * least.value, rel=1e-6) and least.coverage_factor == 2
    for key in ("phase_low", "phase_high"):
        # Half a degree at all frequencies moves an extreme by half a degree; twice that.
        assert found[f"impedance.{key}"].uncertainty == pytest.approx(1.0, rel=1e-9)
    assert "first order (GUM)" in found["impedance.phase_low"].propagation
    assert "Monte Carlo, 1000 draws (JCGM 101)" in found["impedance.dissipation"].propagation
    assert found["impedance.rated"].uncertainty_reason == "none: this is a standard value"
    assert "does not change this number" in found["impedance.tuning"].uncertainty_reason
    assert re.search(r"phase passes zero at 39.93 Hz \(± 0.2[4-7] Hz, k = 2\)", found["impedance.tuning"].note)
    assert set(dataset.data_vars) == {"magnitude_common", "magnitude_own", "phase_common", "phase_own"}


def test_the_dissipation_of_a_resistance_is_as_sure_as_its_modulus_and_phase():
    """Modulus times g(phase): g falls on both sides of zero, so a phase error lowers it. Without one, 1 % is 1 %."""
    found, _ = told(np.full(GRID.size, 8.0 + 0j), {"impedance": 1.0, "impedance_phase": 1e-6})
    assert found["impedance.dissipation"].uncertainty == pytest.approx(0.16, rel=0.07)
    unsure, _ = told(np.full(GRID.size, 8.0 + 0j), {"impedance": 1.0})
    assert "phase is stated" in unsure["impedance.dissipation"].uncertainty_reason
    assert unsure["impedance.minimum"].uncertainty == pytest.approx(0.16)


def test_nothing_stated_is_a_gap_that_says_so():
    found, dataset = told(vented(), {})
    assert dataset is None
    for key, words in (("minimum", "impedance"), ("dissipation", "impedance"), ("phase_low", "impedance's phase")):
        number = found[f"impedance.{key}"]
        assert number.value is not None and number.uncertainty is None
        assert number.uncertainty_reason == f"no uncertainty of the {words} is stated in the campaign"


@pytest.mark.parametrize(
    ("ohm", "words"),
    [
        (6.6, "which holds"),
        (6.45, "whether it holds is open"),
        (6.35, "whether it holds is open"),
        (6.2, "does not hold"),
    ],
)
def test_a_claim_that_the_uncertainty_leaves_open(ohm, words):
    """80 % of 8 ohm are 6.4 ohm; 1 % standard, k = 2, is ± 0.13 ohm (IEC 60268-5, 16.1; JCGM 106)."""
    rated = told(np.full(GRID.size, ohm + 0j), {"impedance": 1.0}, claimed=8.0)[0]["impedance.rated"]
    assert words in rated.note and rated.value == (8.0 if ohm > 6.4 else 6.0)
    assert ("open" in words) is (f"{ohm:g} ± 0.13 Ω" in rated.note)
    # Without a claim the rating next to it is open all the same.
    plain = told(np.full(GRID.size, ohm + 0j), {"impedance": 1.0})[0]["impedance.rated"]
    assert ("whether 8 Ω may be stated is open" in plain.note) is ("open" in words)
    assert "open" not in told(np.full(GRID.size, ohm + 0j), {}, claimed=8.0)[0]["impedance.rated"].note


def test_where_two_minima_nearly_tie_their_places_are_an_interval():
    """The saddle at 40 Hz and the coil's own resistance at some hundred hertz are alike to 0.3 %."""
    z = vented()
    found, _ = told(z, STATED, magnitude_std=0.01 * np.abs(z), phase_std=0.2, takes=2)
    words = found["impedance.minimum"].note.split("in 95 % of draws ")[1].split(" Hz)")[0]
    low, high = (float(word) for word in words.split(" to "))
    assert low < 41 and high > 200
    assert "±" not in found["impedance.minimum"].note.split(";")[0]


def test_too_large_an_uncertainty_is_said_to_lose_draws():
    found, _ = told(vented(), {"impedance": 60.0, "impedance_phase": 1.0})
    assert "the number was not determined in " in found["impedance.dissipation"].note
    assert "of 1000 draws" in found["impedance.dissipation"].note
