"""Rooms by the image-source method, and loudspeakers by physics: spectra in closed form, and their impulse responses.

The image-source method for a rectangular room is that of Allen and Berkley 1979 (J. Acoust. Soc. Am. 65, 943-950;
recalled): the mirrored sources of a shoebox, each with the product of the reflection coefficients of its walls. The
loudspeaker has a direction: each image radiates by the angle at which the mirrored loudspeaker is seen.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.special import j1

SPEED = 343.2
"""m/s at 20 °C."""


def high_pass(frequency, corner, q):
    """Return a second-order high-pass: a closed box (Small 1972, recalled)."""
    s = 1j * frequency / corner
    return s**2 / (s**2 + s / q + 1)


def low_pass(frequency, corner, q):
    """Return a second-order low-pass."""
    s = 1j * frequency / corner
    return 1 / (s**2 + s / q + 1)


def resonance(frequency, centre, q):
    """Return a resonator of gain 1 at its centre."""
    s = 1j * frequency / centre
    return (s / q) / (s**2 + s / q + 1)


def piston(frequency, radius, angle):
    """Return the directivity of a piston in a large baffle, 2 J1(x) / x (Kinsler et al., recalled)."""
    x = np.maximum(np.abs(2 * np.pi * frequency / SPEED * radius * np.sin(angle)), 1e-9)
    return 2 * j1(x) / x


@dataclass(frozen=True)
class Loudspeaker:
    """A two-way loudspeaker in a closed or vented box.

    Attributes
    ----------
    box : tuple of (float, float)
        Second-order sections of the high-pass, Hz and Q: one for a closed box, two for a vented box.
    crossover : float
        Hz.
    order : int
        Linkwitz-Riley order of the crossover, 2, 4 or 8.
    woofer, tweeter : float
        Radii in m.
    late : float
        Seconds by which the woofer is farther away.
    top : float
        Upper limit of the tweeter, Hz.
    resonances : tuple of (float, float, float)
        Hz, Q and gain of resonators parallel to the direct path.
    edges : tuple of (float, float)
        Delay in seconds and gain of the diffraction at the edges of the box.
    """

    box: tuple[tuple[float, float], ...] = ((60.0, 0.71),)
    crossover: float = 2000.0
    order: int = 4
    woofer: float = 0.07
    tweeter: float = 0.013
    late: float = 0.0
    top: float = 20000.0
    resonances: tuple[tuple[float, float, float], ...] = ()
    edges: tuple[tuple[float, float], ...] = ()

    def spectrum(self, frequency, angle: float = 0.0):
        """Return the complex response at an angle in radians from the axis."""
        low, high = np.ones_like(frequency, complex), np.ones_like(frequency, complex)
        half = self.order // 2
        sections = {1: [0.5], 2: [0.7071], 4: [0.5412, 1.3066]}[half]
        for q in sections:
            power = 2 if half > 1 else 1
            low *= low_pass(frequency, self.crossover, q) ** power
            high *= high_pass(frequency, self.crossover, q) ** power
        if half == 1:
            high = -high
        low *= np.exp(-2j * np.pi * frequency * self.late) * piston(frequency, self.woofer, angle)
        high *= piston(frequency, self.tweeter, angle) * low_pass(frequency, self.top, 0.7)
        total = low + high
        for corner, q in self.box:
            total = total * high_pass(frequency, corner, q)
        total = total * (1 + sum(gain * resonance(frequency, f, q) for f, q, gain in self.resonances))
        total = total * (1 + sum(gain * np.exp(-2j * np.pi * frequency * t) for t, gain in self.edges))
        if abs(angle) > np.pi / 2:
            # Behind the loudspeaker the box shades the treble.
            total = total / (1 + 1j * frequency / 1000 * -np.cos(angle)) ** 2
        return total


def random_loudspeaker(rng: np.random.Generator) -> Loudspeaker:
    """Return a loudspeaker with a realistic decay: resonances of Q up to 20 and up to 6 dB, edges within 0.9 ms."""
    corner = rng.uniform(35, 120)
    box = ((corner, rng.uniform(0.5, 1.1)),) if rng.random() < 0.5 else ((corner, 0.54), (corner, 1.31))
    resonances = tuple(
        (float(np.exp(rng.uniform(np.log(300), np.log(12000)))), rng.uniform(2, 20), 10 ** (rng.uniform(0, 6) / 20) - 1)
        for _ in range(rng.integers(0, 6))
    )
    edges = tuple((rng.uniform(1e-4, 9e-4), rng.uniform(-0.12, 0.02)) for _ in range(rng.integers(0, 5)))
    return Loudspeaker(
        box,
        float(np.exp(rng.uniform(np.log(1000), np.log(4000)))),
        int(rng.choice([2, 4, 8])),
        rng.uniform(0.04, 0.1),
        rng.uniform(0.01, 0.016),
        rng.uniform(0, 1e-4),
        rng.uniform(15000, 25000),
        resonances,
        edges,
    )


@dataclass(frozen=True)
class Reflection:
    """One reflection.

    Attributes
    ----------
    delay : float
        Seconds after the direct sound.
    spectrum : numpy.ndarray of complex, shape (frequencies,)
        Its sound re the direct sound on the axis of an ideal loudspeaker, without the delay.
    """

    delay: float
    spectrum: np.ndarray


def room_reflections(frequency, loudspeaker, size, source, microphone, absorption, latest):
    """Return the reflections of a rectangular room, and the response of the direct sound.

    Parameters
    ----------
    frequency : numpy.ndarray
        Hz.
    loudspeaker : Loudspeaker
        It faces the microphone.
    size, source, microphone : array_like, shape (3,)
        m.
    absorption : numpy.ndarray, shape (6, frequencies)
        Absorption coefficient of each wall: x = 0, x = size, y = 0, and so on.
    latest : float
        Largest delay after the direct sound, seconds.
    """
    size, source, microphone = (np.asarray(each, float) for each in (size, source, microphone))
    direct = np.linalg.norm(microphone - source)
    axis = (microphone - source) / direct
    beta = np.sqrt(1 - absorption)
    shades: dict[int, np.ndarray] = {}
    reach = direct + SPEED * latest
    counts = np.ceil(reach / (2 * size)).astype(int)
    reflections = []
    for mirrored in itertools.product((0, 1), repeat=3):
        sign = 1 - 2 * np.array(mirrored)
        for cell in itertools.product(*(range(-count, count + 1) for count in counts)):
            image = sign * source + 2 * np.array(cell) * size
            path = microphone - image
            distance = np.linalg.norm(path)
            hits = [abs(cell[0] - mirrored[0]), abs(cell[0]), abs(cell[1] - mirrored[1]), abs(cell[1])]
            hits += [abs(cell[2] - mirrored[2]), abs(cell[2])]
            if not any(hits) or distance > reach:
                continue
            # The mirrored loudspeaker faces the mirrored axis.
            angle = np.arccos(np.clip(path @ (sign * axis) / distance, -1, 1))
            walls = np.full(frequency.size, direct / distance)
            for wall, times in enumerate(hits):
                for _ in range(times):
                    walls *= beta[wall]
            # In steps of 3 degrees: an image is then off by less than its level is known.
            step = round(np.rad2deg(angle) / 3)
            if step not in shades:
                shades[step] = loudspeaker.spectrum(frequency, np.deg2rad(3.0 * step))
            reflections.append(Reflection((distance - direct) / SPEED, walls * shades[step]))
    reflections.sort(key=lambda each: each.delay)
    return reflections, loudspeaker.spectrum(frequency)


def impulse_response(frequency, direct, reflections, arrival, rate):
    """Return the impulse response with the direct sound after `arrival` seconds; frequencies as by rfftfreq."""
    total = direct.astype(complex)
    for each in reflections:
        total = total + each.spectrum * np.exp(-2j * np.pi * frequency * each.delay)
    total = total * np.exp(-2j * np.pi * frequency * arrival)
    # The converter's filter: from 90 % of half the sampling rate on, a cosine to zero.
    edge = rate / 2
    total = total * np.where(frequency > 0.9 * edge, np.cos(np.pi / 2 * (frequency / edge - 0.9) / 0.1) ** 2, 1.0)
    return np.fft.irfft(total)


def level(frequency, direct, reflection, band=(800.0, 12800.0)):
    """Return the level in dB of a reflection re the direct sound: mean of the octaves' energy ratios."""
    ratios = []
    for octave in range(round(np.log2(band[1] / band[0]))):
        inside = (frequency >= band[0] * 2**octave) & (frequency < band[0] * 2 ** (octave + 1))
        weight = 1 / frequency[inside]
        own, other = (np.sum(weight * np.abs(each[inside]) ** 2) for each in (reflection.spectrum, direct))
        ratios.append(own / other)
    return 10 * np.log10(np.mean(ratios))


def axis_of(rate: int, duration: float = 0.16):
    """Return the frequencies of a response of at least this duration, in Hz; the first is not quite zero."""
    samples = 2 ** int(np.ceil(np.log2(duration * rate)))
    frequency = np.fft.rfftfreq(samples, 1 / rate)
    frequency[0] = 1e-3
    return frequency


def add_noise(response, noise_db: float, rng: np.random.Generator):
    """Return a response with white noise; its energy in 5 ms is `noise_db` re the energy of the response."""
    noise = rng.standard_normal(response.size)
    duration = 0.005 / 0.16
    return response + noise * np.sqrt(np.sum(response**2) / (np.sum(noise**2) * duration)) * 10 ** (noise_db / 20)


def random_reflections(rng: np.random.Generator, frequency, direct):
    """Return 1 to 50 reflections, the strongest between -20 and -3 dB, some with less treble."""
    count, top = int(rng.choice([1, 2, 3, 5, 10, 20, 50])), rng.uniform(-20, -3)
    reflections = []
    for number in range(count):
        gain = 10 ** ((top if number == 0 else rng.uniform(-30, top)) / 20) * rng.choice([-1, 1])
        corner = np.exp(rng.uniform(np.log(3000), np.log(40000)))
        reflections.append(Reflection(rng.uniform(0.0016, 0.028), gain * direct / (1 + 1j * frequency / corner)))
    return reflections


def random_room(rng: np.random.Generator, frequency, loudspeaker: Loudspeaker, latest: float = 0.035):
    """Return the reflections of a rectangular room, from anechoic to live, and the direct sound.

    The microphone is 0.5 to 2 m in front of the loudspeaker; absorption rises with frequency about 1500 Hz.
    """
    size = rng.uniform([2.5, 2.2, 2.2], [9, 7, 4])
    while True:
        source = rng.uniform(0.4, size - 0.4)
        axis = rng.normal(size=3) * [1, 1, 0.1]
        microphone = source + axis / np.linalg.norm(axis) * rng.uniform(0.5, 2)
        if np.all(microphone > 0.3) and np.all(microphone < size - 0.3):
            break
    low = rng.uniform(0.02, 0.9, 6) * rng.choice([0.3, 1.0])
    high = np.clip(low + rng.uniform(-0.2, 0.6, 6), 0.02, 0.98)
    share = 1 / (1 + (1500 / frequency) ** 2)
    absorption = low[:, np.newaxis] + (high - low)[:, np.newaxis] * share
    return room_reflections(frequency, loudspeaker, size, source, microphone, absorption, latest)
