"""Synthetic loudspeakers whose peaks and dips have known causes, simulated as sums of complex pressures.

Every loudspeaker is a point source or pistons on a rigid sphere (series of spherical harmonics; Morse and Ingard,
recalled), to which one or two causes are added: resonances, echoes, edges, rims, a second drive unit, a waveguide, a
port at the rear, the break-up of a cone. Nothing here uses the methods that it tests.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import eval_legendre, j1

import physics

SPEED = 343.2
PLANES = ("horizontal", "vertical")
ANGLES = physics.orbit_angles()
FREQUENCY = 40.0 * 2.0 ** (np.arange(9 * 48) / 48)
"""40 Hz to 20 kHz, 1/48 octave apart."""

Pressure = NDArray[np.complex128]
"""Shape (plane, angle, frequency)."""

RESONANCE = "resonance"
ECHO = "echo"
INTERFERENCE = "interference or diffraction"
CROSSOVER = "crossover phase"
COVERAGE = "change of coverage"


@dataclass(frozen=True)
class Resonance:
    """A resonance: centre in Hz, Q of its poles, largest change in dB that it makes to the listening window.

    `has_phase` if it is added to the other sound with a phase of its own.
    """

    centre_hz: float
    pole_q: float
    height_db: float
    has_phase: bool = False


@dataclass(frozen=True)
class Loudspeaker:
    """A synthetic loudspeaker.

    Attributes
    ----------
    kind : str
        Row of the table.
    pressure : numpy.ndarray, shape (plane, angle, frequency)
        Complex, with the time of flight removed.
    cause : str
        Cause of all peaks and dips in `band` but those of the resonances; outside the beam of the drive units changes.
    resonances : tuple of Resonance
    delays : tuple of float
        Delays in seconds of echoes of the set-up.
    band : (float, float)
        Hz.
    """

    kind: str
    pressure: Pressure
    cause: str
    resonances: tuple[Resonance, ...] = ()
    delays: tuple[float, ...] = ()
    band: tuple[float, float] = (0.0, np.inf)


# Sources on a rigid sphere


@functools.cache
def _sphere_table() -> tuple[NDArray, NDArray, Pressure]:
    """Pressure of a point source on a rigid sphere re free field, by log2 kR and angle, without the geometric delay."""
    log_kr, angle = np.linspace(-6.5, 6.2, 460), np.deg2rad(np.arange(0, 181, 2.0))
    legendre = np.stack([eval_legendre(n, np.cos(angle)) for n in range(100)])
    table = np.empty((log_kr.size, angle.size), complex)
    for row, kr in enumerate(2**log_kr):
        n = np.arange(int(kr) + 20)
        table[row] = ((2 * n + 1) * 1j**n / physics._hankel_slope(n, kr) / kr**2) @ legendre[: n.size]
        table[row] *= np.exp(-1j * kr * _advance(angle))
    return log_kr, np.rad2deg(angle), table


def _advance(angle: NDArray) -> NDArray:
    """Path in radii by which the sound is ahead of the sphere's centre; round the sphere in its shadow."""
    return np.where(angle < np.pi / 2, np.cos(angle), np.pi / 2 - angle)


def on_sphere(radius: float, angle_deg: NDArray) -> Pressure:
    """Pressure of a point source on a rigid sphere at angles from its axis, shape (angle, frequency)."""
    log_kr, angles, table = _sphere_table()
    kr = 2 * np.pi * FREQUENCY * radius / SPEED
    at = np.clip((np.log2(kr) - log_kr[0]) / (log_kr[1] - log_kr[0]), 0, log_kr.size - 2)
    row, share = at.astype(int), at - at.astype(int)
    column = np.abs(angle_deg) / 2
    left, part = np.minimum(column.astype(int), angles.size - 2), None
    part = column - left
    by_row = table[row] * (1 - share)[:, np.newaxis] + table[row + 1] * share[:, np.newaxis]
    values = by_row[:, left] * (1 - part) + by_row[:, left + 1] * part
    return (values * np.exp(1j * kr[:, np.newaxis] * _advance(np.deg2rad(np.abs(angle_deg))))).T


def piston(radius: float, angle_deg: NDArray) -> Pressure:
    """2 J1(x) / x of a circular piston (Beranek and Mellow, eq. 4.30), shape (angle, frequency)."""
    k = 2 * np.pi * FREQUENCY / SPEED
    x = np.maximum(k * radius * np.abs(np.sin(np.deg2rad(angle_deg)))[:, np.newaxis], 1e-6)
    return 2 * j1(x) / x + 0j


def unit(box: float, radius: float, equalised: bool) -> Pressure:
    """A drive unit in a box, both orbits alike; flat on the axis if equalised (its level, not its phase)."""
    orbit = on_sphere(box, ANGLES) * piston(radius, ANGLES)
    orbit *= np.exp(-2j * np.pi * FREQUENCY * box / SPEED)
    if equalised:
        orbit = orbit / np.abs(orbit[ANGLES == 0])
    return np.stack([orbit, orbit])


def low_end(corner: float) -> NDArray:
    """Closed box of Q 0.7 (Small 1972)."""
    s = 1j * FREQUENCY / corner
    return s**2 / (s**2 + s / 0.7 + 1)


def path(metres: NDArray | float) -> NDArray:
    """Phase of a longer path."""
    return np.exp(-2j * np.pi * FREQUENCY * np.asarray(metres)[..., np.newaxis] / SPEED)


def pole(centre: float, q: float) -> NDArray:
    """Second-order band-pass, 1 at its centre."""
    return 1 / (1 + 1j * q * (FREQUENCY / centre - centre / FREQUENCY))


def crossover(centre: float, order: int) -> tuple[NDArray, NDArray]:
    """Low and high branch whose sum is flat: Linkwitz and Riley of order 2, 4 or 8."""
    s = 1j * FREQUENCY / centre
    half = order // 2
    roots = np.exp(1j * np.pi * (2 * np.arange(1, half + 1) + half - 1) / (2 * half)) if half > 1 else np.array([-1.0])
    low = np.prod([1 / (s - root) for root in roots], axis=0) ** 2 * np.prod(-roots) ** 2
    high = low * s**order * (-1 if order == 2 else 1)
    return low, high


# Causes, each a factor or an addition


def _raised(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def section(centre: float, q: float, height_db: float) -> tuple[NDArray, Resonance]:
    """Resonance of the whole source, in phase with it: a peaking section (W3C note "Audio EQ Cookbook")."""
    a = 10 ** (height_db / 40)
    return 1 + (a**2 - 1) * pole(centre, q * a), Resonance(centre, q * a, height_db)


def edges(rng: np.random.Generator) -> Pressure:
    """Four edges of a rectangular front: sound radiated again along each, inverted; shape as `Pressure`."""
    total = np.zeros((2, ANGLES.size, FREQUENCY.size), complex)
    sine = np.sin(np.deg2rad(ANGLES))
    strength = rng.uniform(0.15, 0.45)
    for side, (x, y) in enumerate([(-1, 0), (1, 0), (0, 1), (0, -1)]):
        distance = rng.uniform(0.07, 0.3) if side != 1 else rng.uniform(0.07, 0.16)
        length = rng.uniform(0.05, 0.25)
        for along in np.linspace(-length, length, 7):
            place = np.array([x * distance + (y != 0) * along, y * distance + (x != 0) * along])
            for row in range(2):
                total[row] -= strength / 14 * path(np.hypot(*place) - place[row] * sine)
    return 1 + total


def rim(rng: np.random.Generator) -> Pressure:
    """Rim of a disc with the source in its centre."""
    radius, strength = rng.uniform(0.07, 0.25), rng.uniform(0.2, 0.6)
    sine, total = np.sin(np.deg2rad(ANGLES)), np.zeros((ANGLES.size, FREQUENCY.size), complex)
    for turn in np.linspace(0, 2 * np.pi, 48, endpoint=False):
        total -= strength / 48 * path(radius * (1 - sine * np.cos(turn)))
    return np.stack([1 + total, 1 + total])


def echo(rng: np.random.Generator, alike: bool) -> tuple[Pressure, float]:
    """A reflecting object at rest, while the loudspeaker turns: the delay is the same in all directions."""
    metres = _raised(rng, 0.15, 1.5)
    gain = _raised(rng, 0.06, 0.3) * rng.choice([-1, 1])
    small = rng.integers(3)
    corner = _raised(rng, 300, 2000)
    s = 1j * FREQUENCY / corner
    colour = [np.ones_like(s), s / (1 + s), 1 / (1 + s / 6)][small]
    lobes = np.ones((2, ANGLES.size, 1))
    if not alike:
        towards = rng.uniform(-90, 90)
        lobes = 0.5 + 0.5 * np.cos(np.deg2rad(ANGLES - towards))[np.newaxis, :, np.newaxis] * np.array([[[1]], [[0.7]]])
    return 1 + gain * lobes * colour * path(metres), metres / SPEED


def two_way(
    rng: np.random.Generator, centre: float, spacing: tuple[float, float], late_s: float = 0.0, box: float = 0.14
) -> Pressure:
    """Two drive units apart by `spacing` (m to the left, m up) with a crossover; the upper one is late."""
    low, high = crossover(centre, int(rng.choice([2, 4, 8])))
    sine = np.sin(np.deg2rad(ANGLES))
    bass, treble = unit(box, rng.uniform(0.05, 0.1), True), unit(box, rng.uniform(0.01, 0.018), True)
    result = np.empty_like(bass)
    for row in range(2):
        result[row] = bass[row] * low * path(spacing[row] * sine / 2)
        result[row] += treble[row] * high * path(late_s * SPEED - spacing[row] * sine / 2)
    return result


def waveguide(rng: np.random.Generator) -> Pressure:
    """Beam that narrows or widens smoothly over an octave or more, flat on the axis: a Gaussian over the angle."""
    x = np.log2(FREQUENCY / _raised(rng, 1500, 5000))
    width = np.deg2rad(rng.uniform(50, 75)) * (
        1 + rng.choice([-1, 1]) * rng.uniform(0.15, 0.4) * np.exp(-((x / rng.uniform(0.5, 1.0)) ** 2))
    )
    onset = 1 / (1 + (500 / FREQUENCY) ** 2)
    angle = np.deg2rad(np.abs(ANGLES))[:, np.newaxis]
    loss = np.minimum(3 * (angle / width) ** 2, 22 - 6 * np.exp(-angle)) * onset
    orbit = 10 ** (-loss / 20)
    wider = 10 ** (-loss * rng.uniform(0.8, 1.2) / 20)
    return np.stack([orbit, wider]) + 0j


def _with_shared_poles(pressure: Pressure) -> Pressure:
    pressure[1, np.isin(ANGLES, [0, 180])] = pressure[0, np.isin(ANGLES, [0, 180])]
    return pressure


def _plain(rng: np.random.Generator, low: float = 45.0) -> Pressure:
    return unit(rng.uniform(0.08, 0.2), rng.uniform(0.008, 0.02), bool(rng.random() < 0.7)) * low_end(low)


def _resonant(rng: np.random.Generator, lowest: float = 150.0, highest: float = 9000.0) -> tuple[NDArray, Resonance]:
    return section(_raised(rng, lowest, highest), _raised(rng, 1, 20), _raised(rng, 0.3, 6))


def _height_in_window(with_it: Pressure, without: Pressure) -> float:
    """Largest change in dB that a resonance makes to the level in the listening window.

    The listening window is the mean squared pressure of nine directions (ANSI/CTA-2034-A, recalled): horizontal 0,
    10, 20 and 30 degrees to both sides, vertical 10 degrees up and down.
    """

    def window(pressure: Pressure) -> NDArray:
        nine = [pressure[0, np.abs(ANGLES) <= 30], pressure[1, np.abs(ANGLES) == 10]]
        return 10 * np.log10(np.mean(np.abs(np.concatenate(nine)) ** 2, axis=0))

    return float(np.abs(window(with_it) - window(without)).max())


def resonance(rng: np.random.Generator) -> Loudspeaker:
    factor, one = _resonant(rng)
    return Loudspeaker("resonance", _plain(rng) * factor, COVERAGE, (one,))


def broad_low_resonance(rng: np.random.Generator) -> Loudspeaker:
    factor, one = section(_raised(rng, 130, 300), rng.uniform(0.9, 1.6), rng.uniform(1.5, 4.5))
    return Loudspeaker("broad resonance at low frequencies", _plain(rng, 30.0) * factor, COVERAGE, (one,))


def panel(rng: np.random.Generator) -> Loudspeaker:
    base, centre, q = _plain(rng), _raised(rng, 150, 1500), _raised(rng, 4, 20)
    added = rng.uniform(0.15, 0.6) * np.exp(1j * rng.uniform(-np.pi, np.pi)) * pole(centre, q)
    level = np.abs(base[0, ANGLES == 0]).mean()
    result = base + added * level
    return Loudspeaker(
        "panel added with a phase", result, COVERAGE, (Resonance(centre, q, _height_in_window(result, base), True),)
    )


def echo_alike(rng: np.random.Generator) -> Loudspeaker:
    factor, delay = echo(rng, True)
    return Loudspeaker("echo alike in all directions", _plain(rng) * factor, ECHO, (), (delay,))


def echo_by_direction(rng: np.random.Generator) -> Loudspeaker:
    factor, delay = echo(rng, False)
    return Loudspeaker("echo of a strength that changes with direction", _plain(rng) * factor, ECHO, (), (delay,))


def edge_diffraction(rng: np.random.Generator) -> Loudspeaker:
    return Loudspeaker("edges of a cabinet", _plain(rng) * edges(rng), INTERFERENCE)


def disc_rim(rng: np.random.Generator) -> Loudspeaker:
    return Loudspeaker("rim of a disc", _plain(rng) * rim(rng), INTERFERENCE)


def lobing(rng: np.random.Generator) -> Loudspeaker:
    upright = rng.random() < 0.6
    distance, centre = rng.uniform(0.1, 0.2), _raised(rng, 900, 3500)
    spacing = (0.0, distance) if upright else (distance, 0.0)
    pressure = two_way(rng, centre, spacing, rng.uniform(0, 0.15) / centre) * low_end(45)
    kind = f"lobing, {'vertical' if upright else 'horizontal'}"
    return Loudspeaker(kind, pressure, INTERFERENCE, band=(centre / 2, centre * 2))


def coaxial(rng: np.random.Generator) -> Loudspeaker:
    centre = _raised(rng, 900, 3500)
    late = rng.choice([-1, 1]) * rng.uniform(60, 120) / 360 / centre
    pressure = two_way(rng, centre, (0.0, 0.0), float(late)) * low_end(45)
    return Loudspeaker("phase error of a coaxial", pressure, CROSSOVER, band=(centre / 2, centre * 2))


def flare(rng: np.random.Generator) -> Loudspeaker:
    return Loudspeaker("waveguide", _plain(rng) * waveguide(rng), COVERAGE)


def rear_port(rng: np.random.Generator) -> Loudspeaker:
    box = rng.uniform(0.1, 0.18)
    base, centre, q = (
        unit(box, rng.uniform(0.04, 0.08), True) * low_end(45),
        _raised(rng, 350, 1000),
        _raised(rng, 5, 20),
    )
    rear = np.where(ANGLES > 0, ANGLES - 180, ANGLES + 180)
    behind = on_sphere(box, rear) * path(box)[np.newaxis]
    added = rng.uniform(0.2, 0.6) * np.exp(1j * rng.uniform(-np.pi, np.pi)) * pole(centre, q)
    result = base + added * np.stack([behind, behind])
    return Loudspeaker(
        "port at the rear", result, COVERAGE, (Resonance(centre, q, _height_in_window(result, base), True),)
    )


def break_up(rng: np.random.Generator) -> Loudspeaker:
    base = unit(rng.uniform(0.1, 0.16), rng.uniform(0.03, 0.06), True) * low_end(45)
    centre, q = _raised(rng, 2000, 7000), _raised(rng, 5, 20)
    reach = rng.uniform(1.0, 3.0)
    beam = np.abs(np.cos(np.deg2rad(ANGLES / 2))) ** (2 * reach * 4)
    added = (10 ** (rng.uniform(1, 6) / 20) - 1) * np.exp(1j * rng.uniform(-0.5, 0.5)) * pole(centre, q)
    result = base * (1 + beam[np.newaxis, :, np.newaxis] * added)
    return Loudspeaker(
        "break-up that beams", result, COVERAGE, (Resonance(centre, q, _height_in_window(result, base), True),)
    )


def bare(rng: np.random.Generator) -> Loudspeaker:
    return Loudspeaker("nothing added", _plain(rng), COVERAGE)


def aligned_coaxial(rng: np.random.Generator) -> Loudspeaker:
    pressure = two_way(rng, _raised(rng, 900, 3500), (0.0, 0.0))
    return Loudspeaker("aligned coaxial", pressure * low_end(45), COVERAGE)


def mixed(rng: np.random.Generator) -> Loudspeaker:
    other = [echo_alike, edge_diffraction, disc_rim, lobing, coaxial, flare][rng.integers(6)](rng)
    factors = [_resonant(rng) for _ in range(rng.integers(1, 3))]
    pressure = functools.reduce(np.multiply, [factor for factor, _ in factors], other.pressure)
    return replace(
        other, kind="resonances and another cause", pressure=pressure, resonances=tuple(one for _, one in factors)
    )


KINDS: dict[Callable[[np.random.Generator], Loudspeaker], int] = {
    resonance: 60,
    broad_low_resonance: 16,
    panel: 24,
    rear_port: 20,
    break_up: 30,
    mixed: 40,
    echo_alike: 24,
    echo_by_direction: 12,
    edge_diffraction: 10,
    disc_rim: 6,
    lobing: 28,
    coaxial: 32,
    aligned_coaxial: 10,
    flare: 30,
    bare: 10,
}
"""Makers of loudspeakers with the number of each in one part of the family."""


def drawn(part: int, maker: Callable[[np.random.Generator], Loudspeaker], number: int) -> Loudspeaker:
    """Draw one loudspeaker, with noise of 0.02 dB in each direction and frequency."""
    rng = np.random.default_rng([part, list(KINDS).index(maker), number])
    loudspeaker = maker(rng)
    noise = 10 ** (0.02 / 20 * rng.standard_normal(loudspeaker.pressure.shape))
    return replace(loudspeaker, pressure=_with_shared_poles(loudspeaker.pressure * noise))


def family(part: int, share: float = 1.0) -> Iterator[tuple[int, Loudspeaker]]:
    """Yield a part of the family, each loudspeaker with a number; parts with other numbers have other loudspeakers."""
    for kind, (maker, most) in enumerate(KINDS.items()):
        for number in range(max(1, round(most * share))):
            yield 1000 * kind + number, drawn(part, maker, number)
