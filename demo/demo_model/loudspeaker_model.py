"""A loudspeaker as drivers in a box or on an open baffle, and its sound pressure at a microphone.

The reference point is the tweeter's centre, in the plane of the front: x forward, y left, z up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.air import SPEED_OF_SOUND
from demo_model.bass import Woofer, closed_box, vented_box
from demo_model.box import Box, source_on_box
from demo_model.drive_unit import LargeSignal
from demo_model.filters import band_pass
from demo_model.impedance import Terminals
from demo_model.piston import piston_directivity
from demo_model.sphere import cap_on_sphere

__all__ = [
    "DISTANCE",
    "DRIVE",
    "Driver",
    "Loudspeaker",
    "LowEnd",
    "Resonance",
    "level_and_phase",
    "pressure",
    "transfer",
]

Response = Callable[[Floats], Complexes]

DISTANCE = 2.0
"""m, from the reference point to the microphone."""

DRIVE = 2.83
"""V r.m.s."""


def _unity(frequency: Floats) -> Complexes:
    return np.ones(frequency.shape, dtype=np.complex128)


@dataclass(frozen=True)
class LowEnd:
    """The parts between the terminals and the sound of a woofer, for the model of high levels.

    Attributes
    ----------
    woofer : Woofer
        Small-signal parameters.
    large : LargeSignal
        How they change with excursion and heat.
    volume : float
        Volume of the box, m³.
    network : callable
        Function of frequency in Hz: the crossover, from the terminals to the voice coil.
    cone : callable
        Function of frequency in Hz: resonances of the cone, from its motion as a piston to the sound.
    tuning, leakage_q, port_radius : float
        Of a vented box: tuning in Hz, Q of its leaks, radius of the port in m. A closed box has no tuning.
    """

    woofer: Woofer
    large: LargeSignal
    volume: float
    network: Response
    cone: Response
    tuning: float | None = None
    leakage_q: float = np.inf
    port_radius: float = np.inf

    def response(self, frequency: Floats) -> Complexes:
        """Return the response at low levels relative to the pass band."""
        if self.tuning is None:
            box = closed_box(self.woofer, self.volume, frequency)
        else:
            box = vented_box(self.woofer, self.volume, self.tuning, frequency, self.leakage_q)
        return np.asarray(box * self.network(frequency) * self.cone(frequency))


@dataclass(frozen=True)
class Driver:
    """One driver: its position, its radius, and everything between the terminals and its cone.

    Attributes
    ----------
    name : str
        For messages and tests.
    position : (float, float)
        y and z, m.
    level : float
        dB at 1 m in a half space at 2.83 V, before `response`.
    response : callable
        Function of frequency in Hz: box, crossover and resonances of the driver, all minimum phase.
    radius : callable
        Function of the wavenumber: radius of the piston, m.
    cone : (float, float) or None
        For a tweeter that radiates out of the woofer's cone: the cone's half angle, and the rounding of its rim seen
        from its apex, degrees. `radius` is then the radius of the cone's mouth.
    spheres : tuple of float
        Radii in m of spheres that represent an open baffle, whose edge has different distances from the driver:
        their fields are averaged. Empty for a driver on a box.
    rear : callable
        Function of frequency in Hz: the sound at the back of an open baffle relative to that at the front.
    low_end : LowEnd or None
        The parts of `response`, for drivers that have a model of high levels.
    """

    name: str
    position: tuple[float, float]
    level: float
    response: Response
    radius: Callable[[Floats], Floats]
    cone: tuple[float, float] | None = None
    spheres: tuple[float, ...] = ()
    rear: Response = _unity
    low_end: LowEnd | None = None


@dataclass(frozen=True)
class Resonance:
    """A part of the cabinet that radiates equally in all directions.

    Attributes
    ----------
    frequency, q : float
        Hz, and Q.
    level : float
        dB re 20 µPa at 1 m at 2.83 V, at its centre frequency.
    """

    frequency: float
    q: float
    level: float


@dataclass(frozen=True)
class Loudspeaker:
    """A loudspeaker of the demo.

    Attributes
    ----------
    drivers : tuple of Driver
        All of them.
    box : Box or None
        None for an open baffle.
    terminals : Terminals
        The electrical load.
    resonances : tuple of Resonance
        Resonances of the cabinet.
    """

    drivers: tuple[Driver, ...]
    box: Box | None
    terminals: Terminals
    resonances: tuple[Resonance, ...] = field(default=())


def _wavenumber(frequency: Floats) -> Floats:
    return 2 * np.pi * frequency / SPEED_OF_SOUND


def _out_of_cone(mouth: float, cone: tuple[float, float], wavenumber: Floats, cosine: Floats) -> Complexes:
    """Return the pressure of a wave from a conical waveguide relative to its axis, shape (directions, frequencies).

    In the cone it is part of a spherical wave about the apex, and at the mouth the cap of a sphere. The rest of that
    sphere is rigid and represents the surroundings of the mouth.
    """
    half_angle, rounding = cone
    sphere = mouth / np.sin(np.deg2rad(half_angle))
    with_axis = np.append(cosine, 1.0)
    far = np.full(with_axis.size, 100 * sphere)
    field = cap_on_sphere(sphere, half_angle, wavenumber, with_axis, far, rounding=rounding)
    return np.asarray(field[:-1] / field[-1])


def _on_box(driver: Driver, box: Box, receivers: Floats, wavenumber: Floats) -> Complexes:
    radius = driver.radius(wavenumber)
    straight = receivers - np.array([0.0, *driver.position])
    distance = np.linalg.norm(straight, axis=1)
    if driver.cone is not None:
        cosine = np.append(straight[:, 0] / distance, 0.0)
        wave = _out_of_cone(float(radius[0]), driver.cone, wavenumber, cosine)
        return source_on_box(box, driver.position, receivers, wavenumber, wave[:-1], wave[-1])
    sine = np.linalg.norm(straight[:, 1:], axis=1) / distance
    towards = piston_directivity(radius, wavenumber, sine[:, None])
    along = piston_directivity(radius, wavenumber, 1.0)
    return source_on_box(box, driver.position, receivers, wavenumber, towards, along)


def _on_open_baffle(driver: Driver, receivers: Floats, wavenumber: Floats) -> Complexes:
    straight = receivers - np.array([0.0, *driver.position])
    distance = np.linalg.norm(straight, axis=1)
    total = np.zeros((distance.size, wavenumber.size), dtype=np.complex128)
    rear = driver.rear(wavenumber * SPEED_OF_SOUND / (2 * np.pi))
    for sphere in driver.spheres:
        half_angle = float(np.rad2deg(np.arcsin(driver.radius(wavenumber)[0] / sphere)))
        field = cap_on_sphere(sphere, half_angle, wavenumber, straight[:, 0] / distance, distance, rear)
        # The cap is in front of the baffle's plane; the delay moves its sound back to that plane.
        total += field * np.exp(-1j * wavenumber * sphere) / len(driver.spheres)
    return total


def transfer(
    loudspeaker: Loudspeaker, driver: Driver, directions: Floats, frequency: Floats, distance: float
) -> Complexes:
    """Return the transfer function from a driver to the microphone in 1/m.

    It is exp(-jkr)/r for a point source in an infinite front.

    Parameters are those of :func:`pressure`.
    """
    wavenumber = _wavenumber(frequency)
    receivers = np.asarray(directions) * distance
    if loudspeaker.box is None:
        return _on_open_baffle(driver, receivers, wavenumber)
    return _on_box(driver, loudspeaker.box, receivers, wavenumber)


def pressure(loudspeaker: Loudspeaker, directions: Floats, frequency: Floats, distance: float = DISTANCE) -> Complexes:
    """Return the sound pressure at the microphone with 2.83 V at the terminals.

    Parameters
    ----------
    loudspeaker : Loudspeaker
        One of LOUDSPEAKERS.
    directions : numpy.ndarray, shape (directions, 3)
        Unit vectors from the reference point.
    frequency : numpy.ndarray, shape (frequencies,)
        Hz.
    distance : float
        m from the reference point.

    Returns
    -------
    numpy.ndarray, shape (directions, frequencies)
        Pa r.m.s., time factor exp(+jωt); includes the propagation to the microphone.
    """
    wavenumber = _wavenumber(frequency)
    total = np.zeros((len(directions), frequency.size), dtype=np.complex128)
    for driver in loudspeaker.drivers:
        path = transfer(loudspeaker, driver, directions, frequency, distance)
        total += path * driver.response(frequency) * (20e-6 * 10 ** (driver.level / 20))
    for resonance in loudspeaker.resonances:
        ringing = band_pass(resonance.frequency, resonance.q, frequency) * 20e-6 * 10 ** (resonance.level / 20)
        total += ringing * np.exp(-1j * wavenumber * distance) / distance
    return total


def level_and_phase(sound: Complexes) -> tuple[Floats, Floats]:
    """Return level in dB re 20 µPa and phase in degrees as an instrument exports them: to 0.01 dB and 0.1 degrees."""
    level = 20 * np.log10(np.maximum(np.abs(sound), 1e-12) / 20e-6)
    phase = np.asarray(np.rad2deg(np.angle(sound)), dtype=np.float64)
    # Adding zero turns -0.0 into 0.0.
    return np.round(level, 2) + 0.0, np.round(phase, 1) + 0.0
