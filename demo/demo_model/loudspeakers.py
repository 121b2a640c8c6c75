"""The five loudspeakers: geometry, drivers, crossovers, and the pressure they make at a microphone.

The reference point of each is its tweeter's centre, in the plane of the front: x forward, y left, z up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.air import SPEED_OF_SOUND
from demo_model.bass import Woofer, closed_box, free_air, half_space_level, vented_box
from demo_model.box import Box, source_on_box
from demo_model.drive_unit import LargeSignal
from demo_model.filters import band_pass, first_order_shelf, linkwitz_riley, low_pass, peak
from demo_model.impedance import Terminals, Tweeter
from demo_model.piston import piston_directivity, waveguide_radius
from demo_model.sphere import cap_on_sphere

__all__ = [
    "DISTANCE",
    "DRIVE",
    "LOUDSPEAKERS",
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


def _whole(frequency: Floats) -> Complexes:
    return np.ones(frequency.shape, dtype=np.complex128)


@dataclass(frozen=True)
class LowEnd:
    """A woofer's way from the terminals to the sound part by part, for the model of high levels.

    Attributes
    ----------
    woofer : Woofer
        Small-signal parameters.
    large : LargeSignal
        What happens to them with excursion and heat.
    volume : float
        Of the box, m³.
    network : callable
        Of frequency in Hz: the crossover, from the terminals to the voice coil.
    cone : callable
        Of frequency in Hz: the cone's own peculiarities, from its motion as a piston to the sound.
    tuning, leakage_q, port_radius : float
        Of a vented box: Hz, Q of its leaks, m. No tuning for a closed one.
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
        """All of it at low levels, re the pass band."""
        if self.tuning is None:
            box = closed_box(self.woofer, self.volume, frequency)
        else:
            box = vented_box(self.woofer, self.volume, self.tuning, frequency, self.leakage_q)
        return np.asarray(box * self.network(frequency) * self.cone(frequency))


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
    cone : (float, float) or None
        Of a tweeter that radiates out of the woofer's cone: the cone's half angle, and the rounding of its rim as seen
        from its apex, degrees. `radius` is then that of the cone's mouth.
    spheres : tuple of float
        Radii in m of the rounded bodies that stand for an open baffle, whose edge is not everywhere as far from the
        driver: their fields are averaged. Empty for a driver on a box.
    rear : callable
        Of frequency in Hz: the sound that goes out at the back of an open baffle, as a share of the front's.
    low_end : LowEnd or None
        What `response` is made of, where a model of high levels needs to know.
    """

    name: str
    place: tuple[float, float]
    level: float
    response: Response
    radius: Callable[[Floats], Floats]
    cone: tuple[float, float] | None = None
    spheres: tuple[float, ...] = ()
    rear: Response = _whole
    low_end: LowEnd | None = None


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
    terminals : Terminals
        What an amplifier sees.
    resonances : tuple of Resonance
        Of the cabinet.
    """

    drivers: tuple[Driver, ...]
    box: Box | None
    terminals: Terminals
    resonances: tuple[Resonance, ...] = field(default=())


def _wavenumber(frequency: Floats) -> Floats:
    return 2 * np.pi * frequency / SPEED_OF_SOUND


def _out_of_cone(mouth: float, cone: tuple[float, float], wavenumber: Floats, cosine: Floats) -> Complexes:
    """Pressure of a wave that leaves a conical waveguide, relative to its axis, shape (directions, frequencies).

    In the cone it is part of a spherical wave about the apex, and at the mouth it is the cap of a sphere: the rest of
    that sphere, rigid, stands for what is around the mouth.
    """
    half_angle, rounding = cone
    sphere = mouth / np.sin(np.deg2rad(half_angle))
    with_axis = np.append(cosine, 1.0)
    far = np.full(with_axis.size, 100 * sphere)
    field = cap_on_sphere(sphere, half_angle, wavenumber, with_axis, far, rounding=rounding)
    return np.asarray(field[:-1] / field[-1])


def _on_box(driver: Driver, box: Box, receivers: Floats, wavenumber: Floats) -> Complexes:
    radius = driver.radius(wavenumber)
    straight = receivers - np.array([0.0, *driver.place])
    distance = np.linalg.norm(straight, axis=1)
    if driver.cone is not None:
        cosine = np.append(straight[:, 0] / distance, 0.0)
        wave = _out_of_cone(float(radius[0]), driver.cone, wavenumber, cosine)
        return source_on_box(box, driver.place, receivers, wavenumber, wave[:-1], wave[-1])
    sine = np.linalg.norm(straight[:, 1:], axis=1) / distance
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


def transfer(
    loudspeaker: Loudspeaker, driver: Driver, directions: Floats, frequency: Floats, distance: float
) -> Complexes:
    """Transfer function from a driver to the microphone, 1/m; exp(-jkr)/r for a point source in an infinite front.

    Parameters are those of :func:`pressure`.
    """
    wavenumber = _wavenumber(frequency)
    receivers = np.asarray(directions) * distance
    if loudspeaker.box is None:
        return _on_open_baffle(driver, receivers, wavenumber)
    return _on_box(driver, loudspeaker.box, receivers, wavenumber)


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
    total = np.zeros((len(directions), frequency.size), dtype=np.complex128)
    for driver in loudspeaker.drivers:
        way = transfer(loudspeaker, driver, directions, frequency, distance)
        total += way * driver.response(frequency) * (20e-6 * 10 ** (driver.level / 20))
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
    """Radius that is left of a cone whose rim no longer follows where ka goes above 3."""
    return np.asarray((np.asarray(radius) ** -4.0 + (3.0 / wavenumber) ** -4.0) ** -0.25)


def _cone(radius: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: _yielding(radius, wavenumber)


def _rigid(radius: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: np.full(wavenumber.shape, radius)


def _waveguide(mouth: float, dome: float, coverage: float) -> Callable[[Floats], Floats]:
    return lambda wavenumber: waveguide_radius(mouth, np.full(wavenumber.shape, dome), coverage, wavenumber)


def _dome(frequency: Floats, corner: float) -> Complexes:
    """High-pass of the crossover and the dome's own upper end."""
    return linkwitz_riley("high", corner, frequency) * low_pass(26_000, 0.9, frequency)


def _to_woofer(terminals: Terminals, frequency: Floats) -> Complexes:
    """Shelf and low-pass of the crossover, the woofer's own fall included."""
    return first_order_shelf(*terminals.shelf, frequency) * linkwitz_riley("low", terminals.crossover, frequency)


def _rowan() -> Loudspeaker:
    """Sealed, 13 cm woofer; the tweeter stands 22 mm to the left of the middle."""
    woofer = Woofer(resonance=50, electrical_q=0.50, mechanical_q=4.0, compliance=0.011, resistance=5.5)
    terminals = Terminals(
        woofer,
        Tweeter(5.2, 40e-6, resonance=900, electrical_q=1.4, mechanical_q=2.5, pad=1.5),
        shelf=(400, -5.5),
        crossover=2_500,
        volume=0.0055,
    )

    low = LowEnd(
        woofer,
        # The coil rests a little in front of the gap's middle, the spider is a little stiffer inwards.
        LargeSignal(
            radius=0.050,
            gap_offset=-0.0004,
            gap_width=0.0085,
            stiffness_slope=-25.0,
            stiffness_rise=2.0e4,
            coil_heating=5.5,
            coil_capacity=3.5,
            magnet_heating=4.0,
            magnet_capacity=300.0,
        ),
        volume=0.0055,
        network=lambda frequency: _to_woofer(terminals, frequency),
        cone=lambda frequency: peak(1_150, 3.0, -1.3, frequency) * peak(5_600, 5.0, 6.0, frequency),
    )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover) * peak(9_500, 2.5, 1.2, frequency)

    return Loudspeaker(
        drivers=(
            Driver(
                "woofer", (-0.022, -0.115), half_space_level(woofer, DRIVE), low.response, _cone(0.050), low_end=low
            ),
            Driver("tweeter", (0.0, 0.0), 83.2, high, _rigid(0.0135)),
        ),
        box=Box(left=0.063, right=-0.107, top=0.070, bottom=-0.210, depth=0.20),
        terminals=terminals,
    )


def _alder() -> Loudspeaker:
    """Vented, 17 cm woofer, tweeter in a waveguide as wide; a side panel rings at 620 Hz."""
    woofer = Woofer(resonance=40, electrical_q=0.40, mechanical_q=5.0, compliance=0.028, resistance=5.6)
    terminals = Terminals(
        woofer,
        Tweeter(4.6, 30e-6, resonance=1_000, electrical_q=1.2, mechanical_q=2.2, pad=2.2),
        shelf=(300, -6.0),
        crossover=1_700,
        volume=0.020,
        tuning=41.0,
        leakage_q=12.0,
    )

    low = LowEnd(
        woofer,
        LargeSignal(
            radius=0.066,
            gap_offset=0.0003,
            gap_width=0.0117,
            stiffness_slope=15.0,
            stiffness_rise=1.1e4,
            coil_heating=4.0,
            coil_capacity=6.0,
            magnet_heating=2.5,
            magnet_capacity=600.0,
        ),
        volume=0.020,
        network=lambda frequency: _to_woofer(terminals, frequency),
        cone=lambda frequency: peak(4_300, 4.0, 5.0, frequency),
        tuning=41.0,
        leakage_q=12.0,
        port_radius=0.025,
    )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover)

    return Loudspeaker(
        drivers=(
            Driver("woofer", (0.0, -0.175), half_space_level(woofer, DRIVE), low.response, _cone(0.066), low_end=low),
            Driver(
                "tweeter",
                (0.0, 0.0),
                85.3,
                high,
                _waveguide(mouth=0.075, dome=0.0125, coverage=48.0),
            ),
        ),
        box=Box(left=0.105, right=-0.105, top=0.100, bottom=-0.280, depth=0.29),
        terminals=terminals,
        resonances=(Resonance(frequency=620, q=18, level=74.0),),
    )


def _hornbeam() -> Loudspeaker:
    """Vented, two 13 cm woofers above and below the tweeter."""
    woofer = Woofer(resonance=52, electrical_q=0.38, mechanical_q=4.5, compliance=0.009, resistance=6.3)
    terminals = Terminals(
        woofer,
        Tweeter(5.6, 35e-6, resonance=850, electrical_q=1.3, mechanical_q=2.0, pad=0.7),
        shelf=(330, -6.5),
        crossover=2_200,
        woofers=2,
        volume=0.0065,
        tuning=52.0,
        leakage_q=10.0,
    )

    def low(frequency: Floats) -> Complexes:
        return (
            vented_box(woofer, 0.0065, 52.0, frequency, leakage_q=10.0)
            * peak(5_200, 4.0, 5.0, frequency)
            * _to_woofer(terminals, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover) * peak(13_000, 2.0, 0.8, frequency)

    level = half_space_level(woofer, DRIVE)
    return Loudspeaker(
        drivers=(
            Driver("upper woofer", (0.0, 0.115), level, low, _cone(0.050)),
            Driver("lower woofer", (0.0, -0.115), level, low, _cone(0.050)),
            Driver("tweeter", (0.0, 0.0), 88.5, high, _rigid(0.0130)),
        ),
        box=Box(left=0.085, right=-0.085, top=0.230, bottom=-0.230, depth=0.25),
        terminals=terminals,
    )


def _willow() -> Loudspeaker:
    """Open baffle with rounded edges: 20 cm woofer and, above it, two tweeters back to back, all as dipoles.

    Neither dipole is perfect: the woofer's basket holds the highest tones of its rear back, and the rear tweeter is
    half a decibel less sensitive.
    """
    woofer = Woofer(resonance=36, electrical_q=0.50, mechanical_q=5.0, compliance=0.045, resistance=3.4)
    terminals = Terminals(
        woofer,
        # Two in parallel.
        Tweeter(3.1, 20e-6, resonance=1_000, electrical_q=1.4, mechanical_q=2.5, pad=2.0),
        shelf=(150, -11.0),
        crossover=1_700,
    )

    def low(frequency: Floats) -> Complexes:
        return free_air(woofer, frequency) * peak(1_000, 2.2, 3.0, frequency) * _to_woofer(terminals, frequency)

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover) * peak(3_000, 2.5, 2.5, frequency)

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
                _rigid(0.0140),
                spheres=(0.034, 0.041, 0.050),
                rear=lambda frequency: np.full(frequency.shape, 10 ** (-0.5 / 20), dtype=np.complex128),
            ),
        ),
        box=None,
        terminals=terminals,
    )


def _hazel() -> Loudspeaker:
    """Vented, 20 cm coaxial: the tweeter sits at the apex of the woofer's cone, so that both sound from one place."""
    woofer = Woofer(resonance=38, electrical_q=0.42, mechanical_q=5.0, compliance=0.050, resistance=5.6)
    terminals = Terminals(
        woofer,
        Tweeter(4.8, 30e-6, resonance=950, electrical_q=1.3, mechanical_q=2.3, pad=2.0),
        shelf=(300, -6.0),
        crossover=1_650,
        volume=0.030,
        tuning=40.0,
        leakage_q=12.0,
    )

    def low(frequency: Floats) -> Complexes:
        return (
            vented_box(woofer, 0.030, 40.0, frequency, leakage_q=12.0)
            * peak(1_500, 1.4, 2.2, frequency)
            * peak(3_800, 4.0, 4.0, frequency)
            * _to_woofer(terminals, frequency)
        )

    def high(frequency: Floats) -> Complexes:
        return _dome(frequency, terminals.crossover)

    return Loudspeaker(
        drivers=(
            Driver("woofer", (0.0, 0.0), half_space_level(woofer, DRIVE), low, _cone(0.083)),
            # The surround and the curve of the cone let the wave's edge fade; an abrupt one would beam it to 22° at
            # 4 kHz and silence the axis at 8 kHz.
            Driver("tweeter", (0.0, 0.0), 87.6, high, _rigid(0.090), cone=(50.0, 20.0)),
        ),
        box=Box(left=0.140, right=-0.140, top=0.160, bottom=-0.240, depth=0.36),
        terminals=terminals,
    )


LOUDSPEAKERS: dict[str, Loudspeaker] = {
    "rowan": _rowan(),
    "alder": _alder(),
    "hornbeam": _hornbeam(),
    "willow": _willow(),
    "hazel": _hazel(),
}
"""The five, by name."""
