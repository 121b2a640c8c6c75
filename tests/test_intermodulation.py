"""What lies between the tones, against the products of a polynomial in closed form."""

import numpy as np
import pytest

from anechain.acoustics.curve.bands import band_centres
from anechain.acoustics.nonlinear.intermodulation import multitone_bands, multitone_ratio

RATE = 48000
A, B, QUADRATIC, CUBIC = 0.5, 0.3, 0.02, -0.04


def two_tones(first, second, seconds=2.0, quadratic=QUADRATIC, cubic=CUBIC):
    time = np.arange(round(seconds * RATE)) / RATE
    x = A * np.sin(2 * np.pi * first * time) + B * np.sin(2 * np.pi * second * time + 0.3)
    return x + quadratic * x**2 + cubic * x**3


def products(f, g):
    """Amplitude of each product of two sines through x + a x^2 + b x^3, expanded by hand."""
    a, b = QUADRATIC, CUBIC
    return {
        g - f: a * A * B,
        f + g: a * A * B,
        2 * f: a * A**2 / 2,
        2 * g: a * B**2 / 2,
        3 * f: b * A**3 / 4,
        3 * g: b * B**3 / 4,
        2 * f - g: 3 / 4 * b * A**2 * B,
        2 * g - f: 3 / 4 * b * B**2 * A,
        2 * f + g: 3 / 4 * b * A**2 * B,
        2 * g + f: 3 / 4 * b * B**2 * A,
    }


@pytest.mark.parametrize("tones", [(1000.0, 1410.0), (1000.3, 1410.7)], ids=["whole periods", "no whole periods"])
def test_products_of_two_tones_stand_in_their_bands(tones):
    """Each product alone in its 1/24 octave, within 0.001 dB, except one that lies on the edge of two bands."""
    found = multitone_bands(two_tones(*tones), RATE, tones, 24)
    expected = np.zeros(found.centre_hz.size)
    centres = band_centres(24, 20, 20000)
    np.testing.assert_allclose(found.centre_hz, centres)
    on_edge = []
    for frequency, amplitude in products(*tones).items():
        steps = 24 * np.log10(frequency / 1000) / 0.3
        # Half a step away from a centre is an edge (24 is even: centres are at half steps from 1 kHz).
        if abs(steps - round(steps)) < 0.1:
            on_edge.append(frequency)
        expected[np.argmin(np.abs(np.log(centres / frequency)))] += amplitude**2 / 2
    whole = sum(amplitude**2 / 2 for amplitude in products(*tones).values())
    assert np.nansum(found.between) == pytest.approx(whole, rel=1e-4)
    away = [np.abs(np.log2(centres / frequency)) > 0.1 for frequency in on_edge]
    counted = (expected > 0) & np.all([np.ones(centres.size, bool), *away], axis=0)
    assert counted.sum() >= 6
    np.testing.assert_allclose(10 * np.log10(found.between[counted] / expected[counted]), 0, atol=1e-3)


def test_the_tones_are_those_of_the_polynomial():
    """A (1 + 3/4 b A^2 + 3/2 b B^2): what the cubic term adds to a tone in the presence of another."""
    found = multitone_bands(two_tones(1000.3, 1410.7), RATE, (1000.3, 1410.7), 3)
    tone = A * (1 + 0.75 * CUBIC * A**2 + 1.5 * CUBIC * B**2), B * (1 + 0.75 * CUBIC * B**2 + 1.5 * CUBIC * A**2)
    np.testing.assert_allclose(found.tones[found.tones > 1e-6], np.square(tone) / 2, rtol=1e-5)
    assert multitone_ratio(found.tones, found.between) == pytest.approx(
        10 * np.log10(sum(np.square(list(products(1.0, 1.41).values()))) / sum(np.square(tone))), abs=1e-3
    )


def test_a_linear_device_adds_nothing():
    """Below -150 dB: the window's side lobes, not the tones."""
    found = multitone_bands(two_tones(1000.3, 1410.7, quadratic=0, cubic=0), RATE, (1000.3, 1410.7))
    assert multitone_ratio(found.tones, found.between) < -150


def test_white_noise_beside_tones_is_measured_as_if_they_were_not_there():
    """Power density sigma^2 / (rate / 2): in a band of width b, sigma^2 b / (rate / 2), under the tones as well."""
    random = np.random.default_rng(3)
    tones = 1000 * 2.0 ** (np.arange(-8, 9) / 2)
    time = np.arange(10 * RATE) / RATE
    signal = sum(0.05 * np.sin(2 * np.pi * f * time + number) for number, f in enumerate(tones))
    noise = 1e-3 * random.standard_normal(time.size)
    found = multitone_bands(signal + noise, RATE, tones, 1, 60, 16000)
    alone = multitone_bands(noise, RATE, tones, 1, 60, 16000)
    width = found.centre_hz * (10**0.15 - 10**-0.15)
    width[-1] = min(width[-1], 1e9)
    np.testing.assert_allclose(10 * np.log10(found.between / alone.between), 0, atol=0.01)
    expected = 1e-6 * width / (RATE / 2)
    np.testing.assert_allclose(10 * np.log10(found.between[2:] / expected[2:]), 0, atol=0.5)
    # Two tones of 0.05 in each octave that has both.
    inside = found.tones > 1.9 * 0.05**2 / 2
    assert inside.sum() >= 6
    np.testing.assert_allclose(found.tones[inside], 0.05**2, rtol=2e-3)
    assert (alone.tones < 1e-7).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: multitone_bands(np.ones(RATE), RATE, [1000.0, 1010.0]), "need a record of"),
        (lambda: multitone_bands(np.ones(RATE), RATE, [23999.0]), "too high"),
        (lambda: multitone_bands(np.ones(RATE), RATE, [2000.0, 1000.0]), "ascending"),
        (lambda: multitone_bands(np.ones((2, RATE)), RATE, [1000.0]), "one row"),
    ],
)
def test_senseless_arguments_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_no_tones_have_no_ratio():
    assert np.isnan(multitone_ratio([0.0], [1.0]))
