"""Impedance of circuits whose values are known beforehand."""

import numpy as np
import pytest

from anechain.acoustics.impedance.box_tuning import box_tuning
from anechain.acoustics.impedance.equivalent_dissipation import dissipation_factor, equivalent_dissipation
from anechain.acoustics.impedance.minimum import ImpedanceMinimum, minimum_impedance
from anechain.acoustics.impedance.phase_range import phase_range
from anechain.acoustics.impedance.rated_impedance import rated_impedance

GRID = np.geomspace(10.0, 20000.0, 800)


def closed_box(coil=5.8, inductance=0.0, resonance=45.0, height=30.0, q=4.0, frequency=GRID):
    motional = height / (1 + 1j * q * (frequency / resonance - resonance / frequency))
    return coil + 2j * np.pi * frequency * inductance + motional


def vented_box(tuning=38.0, coil=5.8, inductance=0.0, box_q=np.inf, frequency=GRID):
    """Driver of fs = 38 Hz on a box tuned to `tuning` (Small 1973): the port's branch is a short at its resonance."""
    w = 2 * np.pi * frequency
    # Electrical analogue: parallel R, C, L of the driver, in parallel the series L and C of box and port.
    driver = 1 / (1 / 35.0 + 1j * w * 300e-6 + 1 / (1j * w * (1 / (300e-6 * (2 * np.pi * 38.0) ** 2))))
    series = 35e-3
    capacitance = 1 / (series * (2 * np.pi * tuning) ** 2)
    loss = 0.0 if np.isinf(box_q) else 2 * np.pi * tuning * series / box_q
    port = loss + 1j * w * series + 1 / (1j * w * capacitance)
    return coil + 1j * w * inductance + 1 / (1 / driver + 1 / port)


def both(z):
    return np.abs(z), np.rad2deg(np.angle(z))


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


def test_the_minimum_lies_between_resonance_and_inductance():
    """Series R L C: the least modulus is R at 1/(2 pi sqrt(L C))."""
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


@pytest.mark.parametrize(
    ("minimum", "rated"), [(6.4, 8.0), (6.39, 6.0), (4.8, 6.0), (3.2, 4.0), (3.19, 2.0), (12.8, 16.0), (1.5, None)]
)
def test_eighty_percent_of_the_rated_impedance(minimum, rated):
    """IEC 60268-5, 16.1 (second hand): the modulus is nowhere below 80 % of the rated impedance."""
    flat = minimum_impedance(GRID, np.full(GRID.size, minimum))
    found = rated_impedance(flat, 8.0)
    assert found.rated_ohm == rated and found.claim_holds is (minimum >= 6.4)
    assert (found.reason == "") is (rated is not None)


def test_a_rating_needs_a_minimum():
    none = minimum_impedance(GRID, np.full(GRID.size, np.nan))
    assert rated_impedance(none).rated_ohm is None and rated_impedance(none, 8.0).claim_holds is None
    with pytest.raises(ValueError, match="above zero"):
        rated_impedance(none, 0.0)


def test_phase_extremes_of_a_closed_box():
    """A parallel resonance is inductive below and capacitive above: equal angles, geometrically about it."""
    z = closed_box()
    found = phase_range(GRID, both(z)[1])
    assert found.most_inductive_deg == pytest.approx(-found.most_capacitive_deg, abs=0.05)
    assert found.most_inductive_hz * found.most_capacitive_hz == pytest.approx(45.0**2, rel=0.02)
    assert found.most_inductive_deg == pytest.approx(np.rad2deg(np.arcsin(30.0 / (30.0 + 2 * 5.8))), abs=0.05)
    assert phase_range(GRID, None).reason == "the phase was not measured"
    assert "no value" in phase_range(GRID, np.full(GRID.size, np.nan)).reason


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


def test_other_ratings_and_another_share_may_be_asked():
    """5.7 ohm: at least 80 % of 7 but not of 8 ohm, and at least 60 % of 9 ohm."""
    least = ImpedanceMinimum(5.7, 200.0, False, 20.0, 20000.0, "")
    assert rated_impedance(least).rated_ohm == 6.0
    assert rated_impedance(least, rated_values_ohm=(5.0, 7.0, 8.0)).rated_ohm == 7.0
    other = rated_impedance(least, 9.5, rated_values_ohm=(4.0, 9.0), least_share=0.6)
    assert other.rated_ohm == 9.0 and other.claim_holds is True
    with pytest.raises(ValueError, match="above zero"):
        rated_impedance(least, rated_values_ohm=())
