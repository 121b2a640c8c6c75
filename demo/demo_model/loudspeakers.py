"""The four loudspeakers: geometry, drivers, crossovers, and the pressure they make at a microphone.

The reference point of each is its tweeter's centre, in the plane of the front: x forward, y left, z up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_model.air import SPEED_OF_SOUND
from demo_model.bass import Woofer, closed_box, free_air, half_space_level, vented_box
from demo_model.box import Box, source_on_box
from demo_model.filters import band_pass, first_order_shelf, linkwitz_riley, low_pass, peak
from demo_model.piston import piston_directivity, waveguide_radius
from demo_model.sphere import cap_on_sphere

__all__ = ["DISTANCE", "DRIVE", "LOUDSPEAKERS", "Driver", "Loudspeaker", "Resonance", "level_and_phase", "pressure"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Response = Callable[[Floats], Complexes]

DISTANCE = 2.0
"""m, from the reference point to the microphone."""

DRIVE = 2.83
"""V r.m.s."""


def _whole(frequency: Floats) -> Complexes:
    return np.ones(frequency.shape, dtype=np.complex128)


@dataclass(frozen=True)
class Driver:
    """One driver with its place, its radius, and everything between the terminals and its cone.

    Attributes
    ----------
    name : str
        For messages and tests.
    place : (float, float)
        y and z, m.
    level : float
        dB at 1 m in a half space at 2.83 V, before `response`.
    response : callable
        Of frequency in Hz: box, crossover and the driver's own peculiarities, all minimum phase.
    radius : callable
        Of the wavenumber: radius of the piston, m.
    spheres : tuple of float
        Radii in m of the rounded bodies that stand for an open baffle, whose edge is not everywhere as far from the
        driver: their fields are averaged. Empty for a driver on a box.
    rear : callable
        Of frequency in Hz: the sound that goes out at the back of an open baffle, as a share of the front's.
    """

    name: str
    place: tuple[float, float]
    level: float
    response: Response
    radius: Callable[[Floats], Floats]
    spheres: tuple[float, ...] = ()
    rear: Response = _whole


@dataclass(frozen=True)
class Resonance:
    """A part of the cabinet that radiates alike in all directions.

    Attributes
    ----------
    frequency, q : float
        Hz, and Q.
    level : float
        dB at 1 m at 2.83 V, at its centre.
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
    resonances : tuple of Resonance
        Of the cabinet.
    """

    drivers: tuple[Driver, ...]
    box: Box | None
    resonances: tuple[Resonance, ...] = field(default=())


def _wavenumber(frequency: Floats) -> Floats:
    return 2 * np.pi * frequency / SPEED_OF_SOUND


def _on_box(driver: Driver, box: Box, receivers: Floats, wavenumber: Floats) -> Complexes:
    radius = driver.radius(wavenumber)
    straight = receivers - np.array([0.0, *driver.place])
    sine = np.linalg.norm(straight[:, 1:], axis=1) / np.linalg.norm(straight, axis=1)
    towards = piston_directivity(radius, wavenumber, sine[:, None])
    along = piston_directivity(radius, wavenumber, 1.0)
    return source_on_box(box, driver.place, receivers, wavenumber, towards, along)


def _on_open_baffle(driver: Driver, receivers: Floats, wavenumber: Floats) -> Complexes:
    straight = receivers - np.array([0.0, *driver.place])
    distance = np.linalg.norm(straight, axis=1)
    total = np.zeros((distance.size, wavenumber.size), dtype=np.complex128)
    rear = driver.rear(wavenumber * SPEED_OF_SOUND / (2 * np.pi))
    for sphere in driver.spheres:
        half_angle = float(np.rad2deg(np.arcsin(driver.radius(wavenumber)[0] / sphere)))
        field = cap_on_sphere(sphere, half_angle, wavenumber, straight[:, 0] / distance, distance, rear)
        # The cap stands before the baffle's plane; a delay brings its sound back to it.
        total += field * np.exp(-1j * wavenumber * sphere) / len(driver.spheres)
    return total


def pressure(loudspeaker: Loudspeaker, directions: Floats, frequency: Floats, distance: float = DISTANCE) -> Complexes:
    """Sound pressure at the microphone with 2.83 V at the terminals.

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
        Pa r.m.s., time factor exp(+jωt), the propagation to the microphone included.
    """
    wavenumber = _wavenumber(frequency)
    receivers = np.asarray(directions) * distance
    total = np.zeros((receivers.shape[0], frequency.size), dtype=np.complex128)
    for driver in loudspeaker.drivers:
        if loudspeaker.box is None:
            transfer = _on_open_baffle(driver, receivers, wavenumber)
        else:
            transfer = _on_box(driver, loudspeaker.box, receivers, wavenumber)
        total += transfer * driver.response(frequency) * (20e-6 * 10 ** (driver.level / 20))
    for resonance in loudspeaker.resonances:
        ringing = band_pass(resonance.frequency, resonance.q, frequency) * 20e-6 * 10 ** (resonance.level / 20)
        total += ringing * np.exp(-1j * wavenumber * distance) / distance
    return total


def level_and_phase(sound: Complexes) -> tuple[Floats, Floats]:
    """Level in dB re 20 µPa and phase in degrees, as an instrument exports them: to 0.01 dB and 0.1 degrees."""
    level = 20 * np.log10(np.maximum(np.abs(sound), 1e-12) / 20e-6)
    phase = np.asarray(np.rad2deg(np.angle(sound)), dtype=np.float64)
    # Adding zero turns -0.0 into 0.0.
    return np.round(level, 2) + 0.0, np.round(phase, 1) + 0.0


def _yielding(radius: Floats | float, wavenumber: Floats) -> Floats:
    """Radius that is left of a cone or dome whose rim no longer follows where ka goes above 3."""
    return np.asarray((np.asarray(radius) ** -4.0 + (3.0 / wavenumber) ** -4.0) ** -0.25)


def _cone(radius: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: _yielding(radius, wavenumber)


def _waveguide(mouth: float, dome: float, coverage: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: waveguide_radius(mouth, _yielding(dome, wavenumber), coverage, wavenumber)


def _dome(frequency: Floats, corner: float) -> Complexes:
    """High-pass of the crossover and the dome's own upper end."""
    return linkwitz_riley("high", corner, frequency) * low_pass(26_000, 0.9, frequency)


def _rowan() -> Loudspeaker:
    """Sealed, 13 cm woofer; the tweeter stands 22 mm to the left of the middle."""
    woofer = Woofer(resonance=50, electrical_q=0.50, mechanical_q=4.0, compliance=0.011, resistance=5.5)

    def low(frequency: Floats) -> Complexes:
        return (
            closed_box(woofer, 0.0055, frequency)
            * first_order_shelf(400, -5.5, frequency)
            * peak(1_150, 3.0, -1.3, frequency)
            * peak(5_600, 5.0, 6.0, frequency)
            * linkwitz_riley("low", 2_500, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, 2_500) * peak(9_500, 2.5, 1.2, frequency)

    return Loudspeaker(
        drivers=(
            Driver("woofer", (-0.022, -0.115), half_space_level(woofer, DRIVE), low, _cone(0.050)),
            Driver("tweeter", (0.0, 0.0), 83.2, high, _cone(0.0135)),
        ),
        box=Box(left=0.063, right=-0.107, top=0.070, bottom=-0.210, depth=0.20),
    )


def _alder() -> Loudspeaker:
    """Vented, 17 cm woofer, tweeter in a waveguide as wide; a side panel rings at 620 Hz."""
    woofer = Woofer(resonance=40, electrical_q=0.40, mechanical_q=5.0, compliance=0.028, resistance=5.6)

    def low(frequency: Floats) -> Complexes:
        return (
            vented_box(woofer, 0.020, 41.0, frequency, leakage_q=12.0)
            * first_order_shelf(300, -6.0, frequency)
            * peak(4_300, 4.0, 5.0, frequency)
            * linkwitz_riley("low", 1_700, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, 1_700)

    return Loudspeaker(
        drivers=(
            Driver("woofer", (0.0, -0.175), half_space_level(woofer, DRIVE), low, _cone(0.066)),
            Driver(
                "tweeter",
                (0.0, 0.0),
                85.3,
                high,
                _waveguide(mouth=0.075, dome=0.0125, coverage=48.0),
            ),
        ),
        box=Box(left=0.105, right=-0.105, top=0.100, bottom=-0.280, depth=0.29),
        resonances=(Resonance(frequency=620, q=18, level=74.0),),
    )


def _hornbeam() -> Loudspeaker:
    """Vented, two 13 cm woofers above and below the tweeter."""
    woofer = Woofer(resonance=52, electrical_q=0.38, mechanical_q=4.5, compliance=0.009, resistance=6.3)

    def low(frequency: Floats) -> Complexes:
        return (
            vented_box(woofer, 0.0065, 52.0, frequency, leakage_q=10.0)
            * first_order_shelf(330, -6.5, frequency)
            * peak(5_200, 4.0, 5.0, frequency)
            * linkwitz_riley("low", 2_200, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, 2_200) * peak(13_000, 2.0, 0.8, frequency)

    level = half_space_level(woofer, DRIVE)
    return Loudspeaker(
        drivers=(
            Driver("upper woofer", (0.0, 0.115), level, low, _cone(0.050)),
            Driver("lower woofer", (0.0, -0.115), level, low, _cone(0.050)),
            Driver("tweeter", (0.0, 0.0), 88.5, high, _cone(0.0130)),
        ),
        box=Box(left=0.085, right=-0.085, top=0.230, bottom=-0.230, depth=0.25),
    )


def _willow() -> Loudspeaker:
    """Open baffle with rounded edges: 20 cm woofer and, above it, two tweeters back to back, all as dipoles.

    Neither dipole is perfect: the woofer's basket holds the highest tones of its rear back, and the rear tweeter is
    half a decibel less sensitive.
    """
    woofer = Woofer(resonance=36, electrical_q=0.50, mechanical_q=5.0, compliance=0.045, resistance=3.4)

    def low(frequency: Floats) -> Complexes:
        return (
            free_air(woofer, frequency)
            * first_order_shelf(150, -11.0, frequency)
            * peak(1_000, 2.2, 3.0, frequency)
            * linkwitz_riley("low", 1_700, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, 1_700) * peak(3_000, 2.5, 2.5, frequency)

    return Loudspeaker(
        drivers=(
            Driver(
                "woofer",
                (0.0, -0.190),
                half_space_level(woofer, DRIVE),
                low,
                _cone(0.083),
                spheres=(0.115, 0.135, 0.160),
                rear=lambda frequency: low_pass(6_000, 0.7, frequency),
            ),
            Driver(
                "tweeters",
                (0.0, 0.0),
                82.8,
                high,
                _cone(0.0140),
                spheres=(0.034, 0.041, 0.050),
                rear=lambda frequency: np.full(frequency.shape, 10 ** (-0.5 / 20), dtype=np.complex128),
            ),
        ),
        box=None,
    )


LOUDSPEAKERS: dict[str, Loudspeaker] = {
    "rowan": _rowan(),
    "alder": _alder(),
    "hornbeam": _hornbeam(),
    "willow": _willow(),
}
"""The four, by name."""
