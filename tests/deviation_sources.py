"""Sources whose curves have peaks and dips of known causes: resonances, edges, two drivers, the step of a baffle."""

import functools

import numpy as np

import physics
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.deviations import deviations
from filters import biquad, decibels

PLANES = ("horizontal", "vertical")
ANGLES = physics.orbit_angles()
GRID = 20 * 2 ** (np.arange(481) / 48)
SPEED = 343.2
FINE = 100 * 2 ** (np.arange(1402) / 192)
"""100 Hz to 15.7 kHz, fine enough for a Q of 30."""
COARSE = FINE[::4]


def source(factor):
    """Curve set and orbits of a source that narrows with frequency, times a factor of plane and angle (radians)."""
    levels = np.empty((2, ANGLES.size, GRID.size))
    for row, plane in enumerate(PLANES):
        for column, angle in enumerate(np.deg2rad(ANGLES)):
            shade = -4 * np.log2(1 + GRID / 800) * (1 - np.cos(angle)) * (1 if plane == "horizontal" else 0.9)
            levels[row, column] = 85 + shade + decibels(factor(plane, angle))
    levels[1, np.isin(ANGLES, [0, 180])] = levels[0, np.isin(ANGLES, [0, 180])]
    return curve_set(levels, PLANES, ANGLES).levels, levels


def report(factor, **options):
    curves, levels = source(factor)
    return deviations(GRID, curves, levels, PLANES, ANGLES, **options)


def found_in(levels, frequency, angles=ANGLES, high_hz=14000.0, **options):
    curves = curve_set(levels, PLANES, angles).levels
    known = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
    chosen = {name: curves[name] for name in known if name in curves}
    return deviations(frequency, chosen, levels, PLANES, angles, 100.0, high_hz, **options)


def at(found, centre):
    """The only deviation within 1/6 octave of a frequency in Hz."""
    (deviation,) = [d for d in found.deviations if abs(np.log2(d.feature.centre_hz / centre)) < 1 / 6]
    return deviation


def section(centre, q, gain, frequency):
    """Level of the peaking section, dB."""
    return decibels(section_response(centre, q, gain, frequency))


def section_response(centre, q, gain, frequency):
    """Analogue peaking section of the W3C note "Audio EQ Cookbook": its centre and Q are those of the formula."""
    s, a = 1j * frequency / centre, 10 ** (gain / 40)
    return (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)


@functools.cache
def baffled_piston():
    """Piston of 6 mm radius in an infinite baffle (Beranek and Mellow, eq. 4.30): flat on axis, nothing behind."""
    orbit = np.stack([physics.level(physics.piston(2 * np.pi * f * 0.006 / SPEED)(ANGLES)) for f in FINE], axis=1)
    return np.stack([orbit, orbit])


@functools.cache
def small_cap():
    """Cap of 30 degrees on a rigid sphere of 15 mm radius (Morse and Ingard; recalled), at constant velocity.

    The step of the baffle is in it too, about three octaves above the resonances that the tests add.
    """
    k, n = 2 * np.pi * COARSE / SPEED, np.arange(29)
    cosine = np.cos(np.deg2rad(ANGLES))
    legendre = np.stack([physics.eval_legendre(order, cosine) for order in n])
    orbit = [physics.level(physics._cap_terms(wave * 0.015, 30.0, 28) @ legendre / wave) for wave in k]
    return np.stack([np.stack(orbit, axis=1)] * 2)


@functools.cache
def point_on_sphere(radius):
    """Point source on a rigid sphere re free field: 6 dB on axis from low to high, less or nothing behind."""
    cosine = np.cos(np.deg2rad(ANGLES))
    columns = []
    for kr in 2 * np.pi * COARSE * radius / SPEED:
        n = np.arange(int(kr) + 20)
        terms = (2 * n + 1) * 1j**n / physics._hankel_slope(n, kr) / kr**2
        columns.append(physics.level(sum(term * physics.eval_legendre(m, cosine) for m, term in enumerate(terms))))
    orbit = np.stack(columns, axis=1)
    return np.stack([orbit, orbit])


@functools.cache
def panel(strength=0.3, q=18.0, centre=620.0):
    """Levels of a panel that radiates the same everywhere, and of a driver with another phase in each direction.

    The driver is 10 cm from the centre of the orbits, so its path varies by ± 10 cm, a fifth of a wavelength at 620 Hz.
    Smoothed over 1/20 octave.
    """
    s = 1j * FINE / centre
    added = strength * (s / q) / (s**2 + s / q + 1) * np.exp(1j * 0.9)
    orbit = np.stack(
        [decibels(np.exp(-2j * np.pi * FINE / SPEED * 0.1 * np.cos(angle)) + added) for angle in np.deg2rad(ANGLES)]
    )
    return smooth(FINE, np.stack([orbit, orbit]), 20)


def edged(which, angle):
    path = 0.12 * (1 - (np.sin(angle) if which == "vertical" else 0.0))
    return biquad(500, 3, 4, GRID) * biquad(900, 9, 2.5, GRID) * (1 - 0.4 * np.exp(-2j * np.pi * GRID * path / SPEED))


def two_way(which, angle):
    band = 0.45 * np.exp(-((np.log2(GRID / 2200) / 0.4) ** 2))
    path = 0.15 * np.sin(angle) if which == "vertical" else 0.01
    shade = biquad(5000, 4, -2.5 if abs(angle) < 0.2 else 0.5, GRID)
    return shade * biquad(700, 6, 2, GRID) * (1 - band + band * np.exp(-2j * np.pi * GRID * path / SPEED))


def shelf_and_ripple(which, angle):
    step = 1 / (1 - 0.35j * (1 - np.cos(angle)) * GRID / 900)
    return step * (1 + 0.2 * np.exp(-2j * np.pi * GRID / SPEED * 0.31 * (1 + 0.6 * np.cos(angle))))
