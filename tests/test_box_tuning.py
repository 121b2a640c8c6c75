"""Box tuning of circuits with a known tuning."""

import numpy as np
import pytest
from scipy.signal import find_peaks

from anechain.acoustics.impedance.box_tuning import _peak_rows, box_tuning
from impedance_circuits import GRID, both, closed_box, vented_box


def test_the_tuning_is_the_saddle():
    """At the tuning the lossless box is a short for the motion: the modulus there is the coil's resistance."""
    modulus, phase = both(vented_box(tuning=33.0))
    found = box_tuning(GRID, modulus, phase)
    assert found.kind == "vented or passive radiator" and len(found.peaks_hz) == 2
    assert found.tuning_hz == pytest.approx(33.0, rel=0.005) and found.zero_phase_hz == pytest.approx(33.0, rel=0.005)
    assert found.saddle_ohm == pytest.approx(5.8, abs=0.05)
    assert found.peaks_hz[0] < 33.0 < found.peaks_hz[1]


def test_losses_and_inductance_move_it_little():
    modulus, phase = both(vented_box(tuning=33.0, box_q=10.0, inductance=0.5e-3))
    found = box_tuning(GRID, modulus, phase)
    assert found.tuning_hz == pytest.approx(33.0, rel=0.03) and found.saddle_ohm > 5.8


def test_a_closed_box_has_no_saddle():
    modulus, phase = both(closed_box())
    found = box_tuning(GRID, modulus, phase)
    assert found.tuning_hz is None and found.kind.startswith("closed") and "one peak" in found.reason
    assert found.peaks_hz == (pytest.approx(45.0, rel=1e-3),) and found.peaks_ohm == (pytest.approx(35.8, rel=1e-2),)


def test_no_peaks_or_too_few_values_have_no_tuning():
    assert "0 peaks" in box_tuning(GRID, np.full(GRID.size, 8.0)).reason
    assert "3 values" in box_tuning([20.0, 50.0, 100.0], [8.0, 9.0, 8.0]).reason


def test_ripple_is_no_peak():
    modulus = both(closed_box())[0] * (1 + 0.02 * np.sin(60 * np.log(GRID)))
    assert len(box_tuning(GRID, modulus).peaks_hz) == 1


def test_the_peaks_are_those_of_find_peaks():
    """Against scipy.signal.find_peaks on random curves, some rounded to plateaus: first sample of each plateau."""
    random = np.random.default_rng(3)
    for number in range(200):
        grid = np.geomspace(10.0, 200.0, random.integers(5, 300))
        z = random.uniform(4, 8) + 2j * np.pi * grid * random.uniform(0, 1e-3)
        for _ in range(random.integers(0, 4)):
            centre = random.uniform(8, 300)
            z = z + random.uniform(0.5, 40) / (1 + 1j * random.uniform(1, 8) * (grid / centre - centre / grid))
        ohm = np.abs(z) * (1 + random.normal(0, 0.03, grid.size))
        ohm = np.maximum(np.round(ohm, random.integers(0, 3)) if number % 2 else ohm, 0.1)
        rows, properties = find_peaks(ohm, prominence=0, plateau_size=1)
        bases = np.maximum(ohm[properties["left_bases"]], ohm[properties["right_bases"]])
        expected = properties["left_edges"][ohm[rows] >= 1.1 * bases].tolist()
        assert _peak_rows(ohm, 1.1) == expected
