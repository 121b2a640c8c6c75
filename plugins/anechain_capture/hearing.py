"""From one recording and its impulse response to a spectrum, its noise and its harmonic orders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.recording.calibration import correction_at
from anechain.acoustics.recording.excitation_timing import sweep_ending
from anechain.acoustics.recording.harmonics import harmonic_orders
from anechain.acoustics.recording.response_spectra import noise_magnitude, spectrum_at
from anechain.acoustics.recording.stated_signals import harmonic_misplacement
from anechain.acoustics.recording.sweeps import advance_times, steady_amplitude
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency, windowed
from anechain.arrays import Complexes, Floats
from anechain.importing.direction_names import Direction
from anechain_capture.corrections import MicrophoneResponse
from anechain_capture.excitations import Excitation
from anechain_capture.files import RecordedFile
from anechain_capture.observing import Facts, facts_of
from anechain_capture.options import CaptureOptions
from anechain_capture.windows import LONGEST

__all__ = ["Common", "Heard", "heard"]


@dataclass(frozen=True)
class Heard:
    """What was made of one recording.

    Attributes
    ----------
    label : str
        The file.
    direction : Direction
    drive : str
        Word of its drive; empty if there is one drive only.
    facts : Facts
        What the recording says of itself.
    spectrum : numpy.ndarray of complex, shape (frequencies,)
        Pascals r.m.s., or shares of a full-scale sine, at the drive it was recorded at; the arrival is its time zero.
        The microphone is corrected for; nothing is smoothed.
    noise : numpy.ndarray, shape (frequencies,)
        Magnitude that noise alone has there; NaN where the recording has no room to tell.
    orders, orders_noise : numpy.ndarray or None
        Likewise of harmonic orders, shape (orders, frequencies); on the axis only.
    volts : float or None
        Volts r.m.s. by the loopback; None where nothing says what it stands for.
    misplaced : float or None
        Seconds by which the loopback's harmonic orders are elsewhere than the stated law of the sweep says.
    """

    label: str
    direction: Direction
    drive: str
    facts: Facts
    spectrum: Complexes
    noise: Floats
    orders: Floats | None = None
    orders_noise: Floats | None = None
    volts: float | None = None
    misplaced: float | None = None


@dataclass(frozen=True)
class Common:
    """Everything that all recordings of a device have in common."""

    options: CaptureOptions
    excitation: Excitation | None
    window: Window | None
    frequency: Floats
    microphone: MicrophoneResponse | None
    sensitivity: float
    with_orders: frozenset[str]
    volts: Mapping[str, float]

    def corrected(self, spectrum: Complexes, frequency: Floats) -> Complexes:
        """Spectrum without the microphone's own response."""
        if self.microphone is None:
            return spectrum
        own = self.microphone
        # Beyond its calibration the microphone's response is not known, and the quotient with it.
        with np.errstate(invalid="ignore"):
            return np.asarray(spectrum / correction_at(frequency, own.frequency, own.level, own.phase))


def _factor(common: Common, file: RecordedFile, loopback: Floats | None) -> float:
    """Pascals r.m.s. (or shares of a full-scale sine) at the drive for a spectrum of magnitude 1."""
    options, excitation = common.options, common.excitation
    gain = options.gain + options.gains.get(file.drive, 0.0)
    factor = common.sensitivity * 10 ** (-gain / 20)
    if excitation is None:
        return factor
    if loopback is None:
        assert excitation.amplitude is not None
        amplitude = excitation.amplitude
    elif options.loopback_volts is not None and file.drive in common.volts:
        # What the loopback says of this recording is taken out; the level holds at the stated drive.
        amplitude = np.sqrt(2) * common.volts[file.drive] / options.loopback_volts
    else:
        amplitude = steady_amplitude(loopback)
    return float(factor * amplitude / np.sqrt(2))


def heard(common: Common, file: RecordedFile, record: Floats, loopback: Floats | None, response: Floats) -> Heard:
    """Make a spectrum, and harmonic orders where they are asked for, of one recording.

    Parameters
    ----------
    common : Common
        What all recordings have in common.
    file : RecordedFile
        Which recording it is.
    record, loopback : numpy.ndarray, shape (samples,)
        The microphone's channel, and the loopback's if there is one; full scale is 1.
    response : numpy.ndarray
        Circular impulse response.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    rate = file.header.sampling_rate
    played = None
    if loopback is not None:
        played = sweep_ending(loopback, rate).time
    elif common.excitation is not None and common.excitation.signal is not None:
        played = common.excitation.ends
    facts = facts_of(record, response, file.header, played)
    factor = _factor(common, file, loopback)
    frequency, window = common.frequency, common.window
    if window is None:
        part, offset = response, -facts.arrival
    else:
        part, offset = windowed(response, rate, facts.arrival, window)
    spectrum = factor * common.corrected(spectrum_at(part, rate, frequency, offset), frequency)
    noise = np.full(frequency.size, np.nan)
    orders = orders_noise = misplaced = None
    excitation = common.excitation
    if excitation is not None and window is not None:
        highest_order = common.options.harmonics.orders if common.options.harmonics else 5
        before = float(advance_times(2 * highest_order + 1, excitation.rate)) if excitation.rate else 0.0
        busy = before + window.before, max(window.after, LONGEST)
        magnitude = noise_magnitude(response, rate, facts.arrival, frequency, window, busy)
        noise = factor * np.abs(common.corrected(magnitude.astype(np.complex128), frequency))
        if file.label in common.with_orders:
            assert excitation.rate is not None
            orders, orders_noise = _orders(common, file, response, facts.arrival, factor, highest_order)
            if loopback is not None:
                misplaced = harmonic_misplacement(loopback, rate, excitation.rate, highest_order, excitation.band)
    volts = None
    if loopback is not None and common.options.loopback_volts is not None:
        volts = common.options.loopback_volts * steady_amplitude(loopback) / np.sqrt(2)
    return Heard(file.label, file.direction, file.drive, facts, spectrum, noise, orders, orders_noise, volts, misplaced)


def _orders(
    common: Common, file: RecordedFile, response: Floats, arrival: float, factor: float, highest_order: int
) -> tuple[Floats, Floats]:
    """Magnitude of each order and of the noise there; NaN where it cannot be told."""
    excitation, window, frequency = common.excitation, common.window, common.frequency
    assert excitation is not None and excitation.rate is not None and window is not None
    found = harmonic_orders(
        response,
        file.header.sampling_rate,
        arrival,
        excitation.rate,
        highest_order,
        frequency,
        window,
        excitation.band[1],
        LONGEST,
    )
    size, noise = np.abs(found.spectrum), found.noise.copy()
    for order, gate in enumerate(found.gates, start=1):
        heard_at = order * frequency
        told = heard_at >= lowest_valid_frequency(gate)
        own = np.abs(common.corrected(np.ones(frequency.size, np.complex128), heard_at))
        size[order - 1] = np.where(told, factor * size[order - 1] * own, np.nan)
        noise[order - 1] = np.where(told, factor * noise[order - 1] * own, np.nan)
    return size, noise
