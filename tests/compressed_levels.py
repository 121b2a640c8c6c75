"""Levels of a fundamental at several drives: distorted sines, and levels equal at all frequencies."""

import numpy as np

FREQUENCY = np.geomspace(20.0, 20_000.0, 121)


def fundamental(nonlinearity, amplitudes, samples=4096):
    """Level of the fundamental of a distorted sine, by a discrete Fourier transform over one period."""
    sine = np.sin(2 * np.pi * np.arange(samples) / samples)
    spectra = [np.fft.rfft(nonlinearity(amplitude * sine)) for amplitude in amplitudes]
    return np.array([20 * np.log10(abs(spectrum[1]) * 2 / samples) for spectrum in spectra])


def everywhere(levels):
    """One level for each drive, equal at all frequencies."""
    return np.repeat(np.asarray(levels)[:, np.newaxis], FREQUENCY.size, axis=1)
