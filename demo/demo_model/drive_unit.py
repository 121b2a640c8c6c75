"""A woofer in its box at any level: its motion in time, with the effects of excursion, port flow and heat.

The lumped model, with the cone's displacement x positive outwards and v = dx/dt:

- voice coil: u = R(T) i + Bl(x) v. The coil's inductance is left out: the small-signal response includes it;
- cone: M dv/dt = Bl(x) i - Rm v - K(x) x + S p;
- air of the box at the pressure p: C dp/dt = -(S v + w + g p), with the flow w out of the port and g p out of leaks;
- air in the port: m dw/dt = p - q |w| w;
- voice coil and magnet: two stages of thermal resistance and capacity, fed with R i²; R(T) is copper's.

Sources: "Tutorial: Loudspeaker nonlinearities - causes, parameters, symptoms", JAES 54 (2006); R. H. Small,
"Vented-box loudspeaker systems", JAES 21 (1973); D. J. Button, "Heat dissipation and power compression in
loudspeakers", JAES 40 (1992); the port's loss is that of a sudden expansion (Borda, Carnot). All recalled. The curves
Bl(x) and K(x) are simple functions of the usual shape, of this demo's own choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.air import DENSITY, SPEED_OF_SOUND
from demo_model.bass import Woofer

__all__ = [
    "COPPER",
    "Enclosure",
    "LargeSignal",
    "Motion",
    "Unit",
    "admittance",
    "enclosure",
    "half_space_pressure",
    "solve_motion",
    "temperatures_after",
    "unit",
]


COPPER = 0.00393
"""1/K: temperature coefficient of copper's resistance at 20 °C (IEC 60028, annealed copper)."""

_HEAT_STEPS = 24
"""Steps of motion for each step of heat: a millisecond against time constants above ten seconds."""


@dataclass(frozen=True)
class LargeSignal:
    """Parameters of a drive unit besides the small-signal parameters.

    Attributes
    ----------
    radius : float
        Effective radius of the cone, m.
    gap_offset, gap_width : float
        Bl(x) is proportional to 1 / (1 + ((x - offset) / width)²); m.
    stiffness_slope, stiffness_rise : float
        K(x) is proportional to 1 + slope x + rise x²; 1/m and 1/m².
    coil_heating, magnet_heating : float
        Thermal resistances, K/W: from the coil to the magnet, and from there to the air.
    coil_capacity, magnet_capacity : float
        J/K.
    """

    radius: float
    gap_offset: float
    gap_width: float
    stiffness_slope: float
    stiffness_rise: float
    coil_heating: float
    coil_capacity: float
    magnet_heating: float
    magnet_capacity: float


@dataclass(frozen=True)
class Unit:
    """A drive unit: its parameters at rest and cold, and how they change.

    Attributes
    ----------
    resistance, force_factor : float
        Resistance of the voice coil in ohm; force factor in N/A.
    mass, damping, stiffness : float
        kg, N s/m, N/m, of the cone in free air.
    area : float
        m².
    large : LargeSignal
        How they change with excursion and heat.
    """

    resistance: float
    force_factor: float
    mass: float
    damping: float
    stiffness: float
    area: float
    large: LargeSignal


@dataclass(frozen=True)
class Enclosure:
    """A box, vented or closed.

    Attributes
    ----------
    compliance : float
        Compliance of its air, m³/Pa.
    leakage : float
        Conductance of its leaks, m³/(s Pa).
    port_mass : float
        Acoustic mass, kg/m⁴; infinite for a closed box.
    port_loss : float
        Pressure over the squared volume velocity, Pa s²/m⁶.
    """

    compliance: float
    leakage: float = 0.0
    port_mass: float = np.inf
    port_loss: float = 0.0


@dataclass(frozen=True)
class Motion:
    """The motion of a drive unit; each array of shape (steps,).

    Attributes
    ----------
    displacement : numpy.ndarray
        m, positive outwards.
    current : numpy.ndarray
        A.
    port_flow : numpy.ndarray
        m³/s, positive outwards.
    volume_acceleration : numpy.ndarray
        Volume acceleration of cone, port and leaks together, m³/s²; the sound pressure is proportional to it.
    temperatures : (float, float)
        Temperatures of coil and magnet above the air at the end, K.
    """

    displacement: Floats
    current: Floats
    port_flow: Floats
    volume_acceleration: Floats
    temperatures: tuple[float, float]


def unit(woofer: Woofer, large: LargeSignal) -> Unit:
    """Return the drive unit with these small-signal parameters and cone (Small 1972)."""
    area = np.pi * large.radius**2
    omega = 2 * np.pi * woofer.resonance
    stiffness = DENSITY * SPEED_OF_SOUND**2 * area**2 / woofer.compliance
    mass = stiffness / omega**2
    return Unit(
        resistance=woofer.resistance,
        force_factor=float(np.sqrt(omega * mass * woofer.resistance / woofer.electrical_q)),
        mass=float(mass),
        damping=float(omega * mass / woofer.mechanical_q),
        stiffness=float(stiffness),
        area=float(area),
        large=large,
    )


def enclosure(
    volume: float, tuning: float | None = None, leakage_q: float = np.inf, port_radius: float = np.inf
) -> Enclosure:
    """Return a box of `volume` m³; vented if `tuning` in Hz is given.

    The flow through the port loses its dynamic pressure, ρ/2 (w/area)², at the port's outlet.
    """
    compliance = volume / (DENSITY * SPEED_OF_SOUND**2)
    if tuning is None:
        return Enclosure(compliance)
    omega = 2 * np.pi * tuning
    return Enclosure(
        compliance,
        leakage=omega * compliance / leakage_q,
        port_mass=1 / (omega**2 * compliance),
        port_loss=DENSITY / 2 / (np.pi * port_radius**2) ** 2,
    )


def half_space_pressure(volume_acceleration: Floats) -> Floats:
    """Return the pressure in Pa at 1 m in a half space: ρ/(2πr) dU/dt, without the delay.

    Parameters
    ----------
    volume_acceleration : numpy.ndarray
        dU/dt in m³/s².
    """
    return np.asarray(DENSITY / (2 * np.pi) * volume_acceleration)


def admittance(unit: Unit, box: Enclosure, frequency: Floats, coil_temperature: float = 0.0) -> Complexes:
    """Return current per volt for small signals; `coil_temperature` in K above 20 °C, `frequency` in Hz."""
    s = 2j * np.pi * frequency
    box_air = 1 / (s * box.compliance + box.leakage + 1 / box.port_mass / s)
    mechanical = s * unit.mass + unit.damping + unit.stiffness / s + unit.area**2 * box_air
    return np.asarray(1 / (unit.resistance * (1 + COPPER * coil_temperature) + unit.force_factor**2 / mechanical))


def temperatures_after(
    large: LargeSignal, temperatures: tuple[float, float], power: float, seconds: float
) -> tuple[float, float]:
    """Return temperatures of coil and magnet above the air, K, after `seconds` of constant `power` in W in the coil.

    The solution is exact, since the two stages are linear.
    """
    across, away = 1 / large.coil_heating, 1 / large.magnet_heating
    flow = np.array(
        [
            [-across / large.coil_capacity, across / large.coil_capacity],
            [across / large.magnet_capacity, -(across + away) / large.magnet_capacity],
        ]
    )
    steady = power * np.array([large.coil_heating + large.magnet_heating, large.magnet_heating])
    rates, modes = np.linalg.eig(flow)
    parts = np.linalg.solve(modes, np.array(temperatures) - steady)
    coil, magnet = steady + modes @ (parts * np.exp(rates * seconds))
    return float(coil), float(magnet)


def solve_motion(
    unit: Unit,
    box: Enclosure,
    voltage: Floats,
    sampling_rate: float,
    temperatures: tuple[float, float] = (0.0, 0.0),
    linear: bool = False,
) -> Motion:
    """Solve the motion from rest, by the classical Runge-Kutta scheme of fourth order.

    A loop over Python numbers: for four unknowns it is faster than arrays.

    Parameters
    ----------
    unit, box : Unit, Enclosure
        The unit and its box.
    voltage : numpy.ndarray, shape (2 steps + 1,)
        Voltage across the voice coil, V. One step takes two samples: the scheme also needs the voltage in the middle.
    sampling_rate : float
        Sampling rate of `voltage`, Hz.
    temperatures : (float, float)
        Temperatures of coil and magnet above the air at the beginning, K.
    linear : bool
        Whether Bl, K and temperatures are constant and the port has no loss: the small-signal solution.

    Returns
    -------
    Motion
        At the times of samples 0, 2, 4 and so on.
    """
    large = unit.large
    offset, inverse_width = large.gap_offset, 1 / large.gap_width
    force_at_offset = unit.force_factor * (1 + (offset * inverse_width) ** 2)
    slope, rise, loss = large.stiffness_slope, large.stiffness_rise, box.port_loss
    if linear:
        offset = inverse_width = slope = rise = loss = 0.0
        force_at_offset = unit.force_factor
    mobility, damping, stiffness, area = 1 / unit.mass, unit.damping, unit.stiffness, unit.area
    softness, leakage, port = 1 / box.compliance, box.leakage, 1 / box.port_mass
    coil, magnet = temperatures
    resistance = unit.resistance * (1 + COPPER * coil)

    def rates(u: float, x: float, v: float, p: float, w: float) -> tuple[float, float, float, float]:
        """Return the current, and the time derivatives of v, p and w."""
        y = (x - offset) * inverse_width
        force = force_at_offset / (1 + y * y)
        i = (u - force * v) / resistance
        return (
            i,
            mobility * (force * i - damping * v - stiffness * (1 + x * (slope + rise * x)) * x + area * p),
            -softness * (area * v + w + leakage * p),
            port * (p - loss * abs(w) * w),
        )

    h = 2 / sampling_rate
    half, sixth = h / 2, h / 6
    samples = voltage.tolist()
    x = v = p = w = heat = 0.0
    rows = []
    for step in range(0, len(samples) - 2, 2):
        i, a1, b1, c1 = rates(samples[step], x, v, p, w)
        rows.append((x, i, w, area * a1 + c1 + leakage * b1))
        middle = samples[step + 1]
        v2 = v + half * a1
        _, a2, b2, c2 = rates(middle, x + half * v, v2, p + half * b1, w + half * c1)
        v3 = v + half * a2
        _, a3, b3, c3 = rates(middle, x + half * v2, v3, p + half * b2, w + half * c2)
        v4 = v + h * a3
        _, a4, b4, c4 = rates(samples[step + 2], x + h * v3, v4, p + h * b3, w + h * c3)
        x += sixth * (v + 2 * (v2 + v3) + v4)
        v += sixth * (a1 + 2 * (a2 + a3) + a4)
        p += sixth * (b1 + 2 * (b2 + b3) + b4)
        w += sixth * (c1 + 2 * (c2 + c3) + c4)
        heat += i * i
        if step % (2 * _HEAT_STEPS) == 2 * (_HEAT_STEPS - 1):
            flow = (coil - magnet) / large.coil_heating
            coil += h * (heat * resistance - _HEAT_STEPS * flow) / large.coil_capacity
            magnet += h * _HEAT_STEPS * (flow - magnet / large.magnet_heating) / large.magnet_capacity
            heat = 0.0
            if not linear:
                resistance = unit.resistance * (1 + COPPER * coil)
    displacement, current, port_flow, volume_acceleration = np.array(rows).reshape(-1, 4).T
    return Motion(displacement, current, port_flow, volume_acceleration, (coil, magnet))
