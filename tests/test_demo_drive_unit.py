"""The demo's woofer at high levels against an independent solver, closed forms and harmonic balance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_model.air import DENSITY, SPEED_OF_SOUND
from demo_model.bass import closed_box, half_space_level, vented_box
from demo_model.drive_unit import (
    COPPER,
    Enclosure,
    LargeSignal,
    admittance,
    enclosure,
    half_space_pressure,
    solve_motion,
    temperatures_after,
    unit,
)
from demo_model.loudspeakers import LOUDSPEAKERS

RATE = 48_000
LOW = {name: LOUDSPEAKERS[name].drivers[0].low_end for name in ("rowan", "alder")}
RIGID = LargeSignal(
    radius=0.06,
    gap_offset=0.0,
    gap_width=1e6,
    stiffness_slope=0.0,
    stiffness_rise=0.0,
    coil_heating=4.0,
    coil_capacity=1e9,
    magnet_heating=2.0,
    magnet_capacity=1e9,
)
"""A unit that does not change with excursion or heat."""


def parts(name, large=None):
    low = LOW[name]
    box = enclosure(low.volume, low.tuning, low.leakage_q, low.port_radius)
    return unit(low.woofer, large or low.large), box


def sine(frequency, amplitude, seconds):
    return amplitude * np.sin(2 * np.pi * frequency * np.arange(round(seconds * RATE) + 1) / RATE)


def harmonics(signal, frequency, seconds, count=3):
    """Complex amplitudes of orders 1 and up in the last `seconds`, a whole number of periods, at half of RATE."""
    part = signal[-round(seconds * RATE / 2) :]
    assert (frequency * seconds) % 1 == 0
    spectrum = 2 * np.fft.rfft(part) / part.size
    return spectrum[[round(order * frequency * seconds) for order in range(1, count + 1)]]


# ---------------------------------------------------------------------------------------------------- the solver


@pytest.mark.parametrize("name", ["rowan", "alder"])
def test_motion_agrees_with_an_independent_solver(name):
    # The equations as in the module's text, solved by scipy's eighth-order scheme to tight tolerances.
    from scipy.integrate import solve_ivp

    one, box = parts(name)
    large = one.large
    rate, start, peak, end = 0.1, 20.0, 14.0, 0.3

    def voltage(t):
        return peak * np.sin(2 * np.pi * start * rate * np.expm1(t / rate))

    def slope(t, state):
        x, v, p, w, coil, magnet = state
        shape = ((x - large.gap_offset) ** 2 + large.gap_width**2) / (large.gap_offset**2 + large.gap_width**2)
        force = one.force_factor / shape
        resistance = one.resistance * (1 + COPPER * coil)
        current = (voltage(t) - force * v) / resistance
        restoring = one.stiffness * (x + large.stiffness_slope * x**2 + large.stiffness_rise * x**3)
        through = (coil - magnet) / large.coil_heating
        return [
            v,
            (force * current - one.damping * v - restoring + one.area * p) / one.mass,
            -(one.area * v + w + box.leakage * p) / box.compliance,
            (p - box.port_loss * w * np.abs(w)) / box.port_mass,
            (current**2 * resistance - through) / large.coil_capacity,
            (through - magnet / large.magnet_heating) / large.magnet_capacity,
        ]

    times = np.arange(round(end * RATE / 2)) * 2 / RATE
    true = solve_ivp(slope, (0, end), [0, 0, 0, 0, 30, 5], "DOP853", times, rtol=1e-9, atol=1e-11)
    found = solve_motion(one, box, voltage(np.arange(round(end * RATE) + 1) / RATE), RATE, temperatures=(30.0, 5.0))
    assert np.abs(found.displacement).max() > 0.003
    assert np.abs(found.displacement - true.y[0]).max() < 1e-4 * np.abs(true.y[0]).max()
    assert np.abs(found.port_flow - true.y[3]).max() <= 1e-4 * np.abs(true.y[3]).max()
    volume_velocity = one.area * true.y[1] + true.y[3] + box.leakage * true.y[2]
    acceleration = np.gradient(volume_velocity, times)
    # The difference quotient is the coarser of the two.
    assert np.abs(found.volume_acceleration - acceleration)[5:-5].max() < 0.01 * np.abs(acceleration).max()
    assert found.temperatures == pytest.approx((true.y[4][-1], true.y[5][-1]), abs=0.002)
    assert true.y[4][-1] > 0.2 + temperatures_after(large, (30.0, 5.0), 0.0, end)[0]


@pytest.mark.parametrize("frequency", [30.0, 41.0, 60.0, 90.0, 250.0])
@pytest.mark.parametrize("name", ["rowan", "alder"])
def test_small_signals_have_the_response_of_thiele_and_small(name, frequency):
    # The closed forms of Small 1972 and 1973 (module bass, itself held against published alignments).
    one, box = parts(name)
    low = LOW[name]
    found = solve_motion(one, box, sine(frequency, 1e-3, 2.0), RATE)
    pressure = harmonics(half_space_pressure(found.volume_acceleration), frequency, 1.0, 1)[0] / (-1j * 1e-3)
    at = np.array([frequency])
    shape = closed_box(low.woofer, low.volume, at)
    if low.tuning:
        shape = vented_box(low.woofer, low.volume, low.tuning, at, low.leakage_q)
    expected = shape[0] * 20e-6 * 10 ** (half_space_level(low.woofer, 1.0) / 20)
    assert abs(pressure / expected - 1) < 2e-3


def test_impedance_of_a_closed_box_peaks_as_small_says():
    # Zmax = RE (1 + QMS/QES) at fs sqrt(1 + VAS/VB) (Small 1972, recalled).
    one, box = parts("rowan")
    woofer = LOW["rowan"].woofer
    at = woofer.resonance * np.sqrt(1 + woofer.compliance / LOW["rowan"].volume)
    impedance = 1 / admittance(one, box, np.array([at * 0.98, at, at * 1.02]))
    assert impedance[1] == pytest.approx(5.5 * (1 + 4.0 / 0.5), rel=1e-6)
    assert np.abs(impedance).argmax() == 1


def test_current_of_a_small_signal_is_that_of_the_impedance():
    one, box = parts("alder")
    for frequency in (24.0, 41.0, 66.0):
        found = solve_motion(one, box, sine(frequency, 1e-3, 2.0), RATE)
        current = harmonics(found.current, frequency, 1.0, 1)[0] / (-1j * 1e-3)
        assert abs(current / admittance(one, box, np.array([frequency]))[0] - 1) < 2e-3


# ---------------------------------------------------------------------------------------------------- distortion


def _receptance(one, box, frequency):
    """Displacement per force with the coil shorted, for small signals."""
    omega = 2 * np.pi * frequency
    braking = one.damping + one.force_factor**2 / one.resistance
    stiffness = one.stiffness + one.area**2 / box.compliance
    return 1 / (stiffness - one.mass * omega**2 + 1j * omega * braking)


def _driven(large, frequency=50.0, volts=0.5):
    one, box = unit(LOW["rowan"].woofer, large), enclosure(LOW["rowan"].volume)
    found = solve_motion(one, box, sine(frequency, volts, 1.0), RATE)
    return one, box, harmonics(found.displacement, frequency, 0.4)


def test_uneven_suspension_makes_the_second_harmonic_of_perturbation_theory():
    # K = K0 (1 + a x): to second order the force -K0 a x² drives 2f; x = X cos gives X²/2 there.
    slope, frequency = 30.0, 50.0
    one, box, found = _driven(replace(RIGID, stiffness_slope=slope), frequency)
    expected = -one.stiffness * slope * found[0] ** 2 / 2 * _receptance(one, box, 2 * frequency)
    assert abs(found[1] / expected - 1) < 0.01
    assert 1e-4 < abs(found[1] / found[0]) < 1e-2


def test_stiffening_suspension_makes_the_third_harmonic_of_perturbation_theory():
    # K = K0 (1 + b x²): the force -K0 b x³ has X³/4 at 3f.
    rise, frequency = 2e4, 50.0
    one, box, found = _driven(replace(RIGID, stiffness_rise=rise), frequency)
    expected = -one.stiffness * rise * found[0] ** 3 / 4 * _receptance(one, box, 3 * frequency)
    assert abs(found[2] / expected - 1) < 0.01
    assert abs(found[1]) < 1e-6 * abs(found[0])


def test_coil_beside_the_middle_of_the_gap_makes_the_second_harmonic_of_perturbation_theory():
    # Bl = Bl0 (1 + b x) with b = 2 x0 / (x0² + width²): the force Bl (u - Bl v) / R has, to second order,
    # Bl0 b x (u - 2 Bl0 v) / R.
    offset, width, frequency, volts = 0.002, 0.02, 50.0, 0.3
    one, box, found = _driven(replace(RIGID, gap_offset=offset, gap_width=width), frequency, volts)
    b = 2 * offset / (offset**2 + width**2)
    rest = -1j * volts - 2 * one.force_factor * 2j * np.pi * frequency * found[0]
    force = one.force_factor * b / one.resistance * found[0] * rest / 2
    assert abs(found[1] / (force * _receptance(one, box, 2 * frequency)) - 1) < 0.01
    assert 1e-4 < abs(found[1] / found[0]) < 1e-2


@pytest.mark.parametrize("volts", [4.0, 12.0])
def test_port_compresses_as_the_describing_function_of_its_loss(volts):
    # The fundamental of |w| w is 8/(3π) W w: a resistance that grows with the flow, found by fixed point.
    one, box = parts("alder", RIGID)
    frequency, omega = 41.0, 2 * np.pi * 41.0
    leak_and_air = 1j * omega * box.compliance + box.leakage

    def flow(resistance):
        """Port flow with a linear resistance in the port."""
        box_air = 1 / (leak_and_air + 1 / (1j * omega * box.port_mass + resistance))
        mechanical = 1j * omega * one.mass + one.damping + one.stiffness / (1j * omega) + one.area**2 * box_air
        braking = one.force_factor**2 / one.resistance
        velocity = -1j * volts * one.force_factor / one.resistance / (mechanical + braking)
        return -one.area * velocity * box_air / (1j * omega * box.port_mass + resistance)

    size = abs(flow(0.0))
    for _ in range(200):
        size = 0.5 * (size + abs(flow(8 / (3 * np.pi) * box.port_loss * size)))
    found = harmonics(solve_motion(one, box, sine(frequency, volts, 3.0), RATE).port_flow, frequency, 1.0, 1)[0]
    assert abs(found) == pytest.approx(size, rel=0.01)
    assert size < 0.97 * abs(flow(0.0))


def test_a_dynamic_pressure_is_lost_at_the_port():
    # ρ/2 V², the loss of a sudden expansion (Borda, Carnot): 60.2 Pa at 10 m/s.
    box = enclosure(0.02, 41.0, port_radius=0.025)
    assert box.port_loss * (10 * np.pi * 0.025**2) ** 2 == pytest.approx(0.5 * 1.204 * 100)


def test_port_and_box_resonate_where_they_are_tuned():
    # f = c / 2π sqrt(A / (V L)), Helmholtz: with the length that the mass stands for.
    box = enclosure(0.02, 41.0, port_radius=0.025)
    area = np.pi * 0.025**2
    length = box.port_mass * area / DENSITY
    assert SPEED_OF_SOUND / (2 * np.pi) * np.sqrt(area / (0.02 * length)) == pytest.approx(41.0)


# ---------------------------------------------------------------------------------------------------- heat


def test_coil_in_the_steady_state_is_as_hot_as_power_times_resistances():
    large = LOW["alder"].large
    power = 10.0
    coil, magnet = temperatures_after(large, (0.0, 0.0), power, 1e6)
    assert (coil, magnet) == pytest.approx((power * (4.0 + 2.5), power * 2.5))


def test_coil_held_at_a_voltage_settles_where_its_resistance_has_risen_to():
    # dT = Rth U²/R(T) and R(T) = R0 (1 + a dT): a quadratic equation. A coil that cannot move and heats in no time.
    large = replace(RIGID, coil_heating=4.0, coil_capacity=0.01, magnet_heating=0.01, magnet_capacity=1.0)
    one = replace(unit(LOW["alder"].woofer, large), mass=1e9)
    volts = 10.0
    found = solve_motion(one, Enclosure(1e-7), sine(1_000.0, np.sqrt(2) * volts, 0.6), RATE)
    heat = 4.01 * volts**2 / one.resistance
    expected = (np.sqrt(1 + 4 * COPPER * heat) - 1) / (2 * COPPER)
    assert found.temperatures[0] == pytest.approx(expected, rel=2e-3)
    assert expected < 0.85 * heat


@settings(max_examples=30, deadline=None)
@given(
    power=st.floats(0, 50),
    seconds=st.floats(0.01, 3_000),
    coil=st.floats(0, 100),
    magnet=st.floats(0, 50),
)
def test_heat_flows_as_the_matrix_exponential_says(power, seconds, coil, magnet):
    from scipy.linalg import expm

    large = LOW["rowan"].large
    # State (coil, magnet, 1): dx/dt = A x.
    rates = np.array(
        [
            [-1 / 5.5 / 3.5, 1 / 5.5 / 3.5, power / 3.5],
            [1 / 5.5 / 300, -(1 / 5.5 + 1 / 4.0) / 300, 0],
            [0, 0, 0],
        ]
    )
    expected = expm(rates * seconds) @ [coil, magnet, 1]
    assert temperatures_after(large, (coil, magnet), power, seconds) == pytest.approx(expected[:2], abs=1e-6)


def test_linear_motion_scales_and_stays_cold():
    one, box = parts("alder")
    voltage = sine(45.0, 20.0, 0.2)
    loud = solve_motion(one, box, voltage, RATE, linear=True)
    quiet = solve_motion(one, box, voltage / 1000, RATE)
    assert np.allclose(
        loud.volume_acceleration,
        1000 * quiet.volume_acceleration,
        rtol=0,
        atol=1e-3 * np.abs(loud.volume_acceleration).max(),
    )
    strong = solve_motion(one, box, voltage, RATE)
    assert np.abs(strong.displacement).max() < 0.9 * np.abs(loud.displacement).max()
