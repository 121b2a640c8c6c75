"""Analysis of one recording: spectrum, noise and harmonic orders from its impulse response."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.recording.calibration import interpolate_microphone_response
from anechain.acoustics.recording.excitation_timing import sweep_end
from anechain.acoustics.recording.harmonic_bands import HarmonicBand
from anechain.acoustics.recording.harmonics import harmonic_orders
from anechain.acoustics.recording.response_spectra import spectrum_at
from anechain.acoustics.recording.stated_signals import harmonic_time_error
from anechain.acoustics.recording.sweeps import sweep_amplitude
from anechain.acoustics.recording.time_windows import Window, apply_window
from anechain.acoustics.recording.transforms import spectrum_of_impulse_response
from anechain.arrays import Complexes, Floats
from anechain.importing.direction_names import Direction
from anechain_capture.deconvolution import Deconvolution
from anechain_capture.excitation import Excitation
from anechain_capture.files import RecordedFile
from anechain_capture.microphone import MicrophoneResponse
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_facts import FRONT_ANGLE, RecordingFacts, recording_facts
from anechain_capture.time_window import MAX_LENGTH, latest_reflection

__all__ = ["AnalysisSettings", "OrderReading", "Recording", "analyse_recording"]


@dataclass(frozen=True)
class OrderReading:
    """Harmonic orders of one recording, shape (orders, frequencies); NaN where an order cannot be measured.

    Attributes
    ----------
    spectrum : numpy.ndarray of complex
        Pa r.m.s. or relative to full scale. Phase re n times that of the excitation (a cosine), time zero is the
        arrival.
    noise : numpy.ndarray
        Root mean square magnitude of the noise.
    stretches : tuple of int
        Number of stretches of the response from which the noise of each order is known.
    """

    spectrum: Complexes
    noise: Floats
    stretches: tuple[int, ...]


STEPS_BELOW = 16
"""Steps from zero to the lowest valid frequency in the spectrum on the axis."""


@dataclass(frozen=True)
class Recording:
    """One recording after its analysis.

    Attributes
    ----------
    label : str
        Name of the file in messages.
    direction : Direction
    drive : str
        Text of {drive}; empty if there is one drive only.
    facts : RecordingFacts
    spectrum : numpy.ndarray of complex, shape (frequencies,)
        Pa r.m.s., or relative to a full-scale sine, at the drive of the recording. Time zero is the arrival. Corrected
        for the microphone, not smoothed.
    orders : OrderReading or None
        Harmonic orders; on the axis only.
    volts : float or None
        V r.m.s. by the loopback; None if its scale is not known.
    law_error : float or None
        Time in seconds between harmonic orders of the loopback and the stated law of the sweep; None if not known.
    windowed : (numpy.ndarray, numpy.ndarray of complex), or None
        Frequencies in equal steps, and the spectrum there; on the axis only.
    """

    label: str
    direction: Direction
    drive: str
    facts: RecordingFacts
    spectrum: Complexes
    orders: OrderReading | None = None
    volts: float | None = None
    law_error: float | None = None
    windowed: tuple[Floats, Complexes] | None = None


@dataclass(frozen=True)
class AnalysisSettings:
    """What the analysis of all recordings of a device needs.

    Attributes
    ----------
    options : CaptureOptions
    excitation : Excitation or None
        None for impulse responses.
    window : Window or None
        None if impulse responses count as a whole.
    frequency : numpy.ndarray, shape (frequencies,)
        Hz.
    microphone : MicrophoneResponse or None
    sensitivity : float
        Pa of full scale or, if that is not known, the factor to levels relative to a full-scale sine.
    with_orders : frozenset of str
        Labels of the recordings whose harmonic orders are needed.
    volts : mapping of str to float
        V r.m.s. of each drive, if known.
    bands : tuple of HarmonicBand
        Band of each harmonic order; empty if they are not separated.
    on_axis : frozenset of str
        Labels of the recordings on the axis.
    valid_band : (float, float)
        Limits in Hz between which the responses are valid.
    """

    options: CaptureOptions
    excitation: Excitation | None
    window: Window | None
    frequency: Floats
    microphone: MicrophoneResponse | None
    sensitivity: float
    with_orders: frozenset[str]
    volts: Mapping[str, float]
    bands: tuple[HarmonicBand, ...]
    on_axis: frozenset[str] = frozenset()
    valid_band: tuple[float, float] = (0.0, np.inf)

    def without_microphone(self, spectrum: Complexes, frequency: Floats) -> Complexes:
        """Return a spectrum divided by the response of the microphone."""
        if self.microphone is None:
            return spectrum
        microphone = self.microphone
        # Outside its calibration, the response of the microphone is NaN, and so is the quotient.
        with np.errstate(invalid="ignore"):
            return np.asarray(
                spectrum
                / interpolate_microphone_response(frequency, microphone.frequency, microphone.level, microphone.phase)
            )


def _scale(settings: AnalysisSettings, file: RecordedFile, loopback: Floats | None) -> float:
    """Return the Pa r.m.s. (or the share of a full-scale sine) of a spectrum of magnitude 1."""
    options, excitation = settings.options, settings.excitation
    gain = options.gain + options.gains.get(file.drive, 0.0)
    scale = settings.sensitivity * 10 ** (-gain / 20)
    if excitation is None:
        return scale
    if loopback is None:
        assert excitation.amplitude is not None
        amplitude = excitation.amplitude
    elif options.loopback_volts is not None and file.drive in settings.volts:
        # The level is valid at the stated drive. The deconvolution has removed the drive of this recording.
        amplitude = np.sqrt(2) * settings.volts[file.drive] / options.loopback_volts
    else:
        amplitude = sweep_amplitude(loopback)
    return float(scale * amplitude / np.sqrt(2))


def analyse_recording(
    settings: AnalysisSettings,
    file: RecordedFile,
    record: Floats,
    loopback: Floats | None,
    response: Floats,
    deconvolution: Deconvolution | None,
) -> Recording:
    """Analyse one recording.

    Parameters
    ----------
    settings : AnalysisSettings
    file : RecordedFile
    record, loopback : numpy.ndarray, shape (samples,)
        Channel of the microphone, and of the loopback if there is one; full scale is 1.
    response : numpy.ndarray, shape (samples,)
        Circular impulse response.
    deconvolution : Deconvolution or None
        By which it was made; None for impulse responses.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    rate = file.header.sampling_rate
    excitation_end = None
    if loopback is not None:
        excitation_end = sweep_end(loopback, rate).time
    elif settings.excitation is not None and settings.excitation.signal is not None:
        excitation_end = settings.excitation.end
    in_front = abs(file.direction.angle) <= FRONT_ANGLE
    latest = latest_reflection(settings.options, settings.window) if in_front else None
    facts = recording_facts(record, response, rate, excitation_end, latest)
    scale = _scale(settings, file, loopback)
    frequency, window = settings.frequency, settings.window
    if window is None:
        part, offset = response, -facts.arrival
    else:
        part, offset = apply_window(response, rate, facts.arrival, window)
    spectrum = scale * settings.without_microphone(spectrum_at(part, rate, frequency, offset), frequency)
    windowed = _windowed_spectrum(settings, part, rate, offset, scale) if file.label in settings.on_axis else None
    orders = law_error = None
    excitation = settings.excitation
    if deconvolution is not None:
        spectrum = spectrum / deconvolution.edge(frequency)
        if windowed is not None:
            windowed = windowed[0], windowed[1] / deconvolution.edge(windowed[0])
        if file.label in settings.with_orders:
            assert excitation is not None and excitation.rate is not None
            orders = _order_reading(settings, file, response, facts.arrival, scale, deconvolution)
            if loopback is not None:
                highest_order = len(settings.bands)
                law_error = harmonic_time_error(loopback, rate, excitation.rate, highest_order, excitation.band)
    volts = None
    if loopback is not None and settings.options.loopback_volts is not None:
        volts = settings.options.loopback_volts * sweep_amplitude(loopback) / np.sqrt(2)
    return Recording(file.label, file.direction, file.drive, facts, spectrum, orders, volts, law_error, windowed)


def _windowed_spectrum(
    settings: AnalysisSettings, part: Floats, rate: float, offset: float, scale: float
) -> tuple[Floats, Complexes]:
    """Return the spectrum of a windowed response at all frequencies that it resolves, in the valid band.

    Zeros after it give steps of at most a sixteenth of the lowest valid frequency, small enough to interpolate.
    """
    low, high = settings.valid_band
    zeros = max(round(rate * STEPS_BELOW / low) - part.size, 0)
    frequency, spectrum = spectrum_of_impulse_response(np.pad(part, (0, zeros)), rate, offset * rate)
    inside = (frequency >= low) & (frequency <= high) & (frequency > 0)
    return frequency[inside], scale * settings.without_microphone(spectrum[inside], frequency[inside])


def _order_reading(
    settings: AnalysisSettings,
    file: RecordedFile,
    response: Floats,
    arrival: float,
    scale: float,
    deconvolution: Deconvolution,
) -> OrderReading:
    """Return the harmonic orders of one recording."""
    excitation, window, frequency = settings.excitation, settings.window, settings.frequency
    assert excitation is not None and excitation.rate is not None and window is not None
    result = harmonic_orders(
        response,
        file.header.sampling_rate,
        arrival,
        excitation.rate,
        len(settings.bands),
        frequency,
        window,
        [(band.low, band.high) for band in settings.bands],
        MAX_LENGTH,
    )
    spectrum, noise = result.spectrum, result.noise
    for row, band in enumerate(settings.bands):
        order_frequency = band.order * frequency
        factor = scale * settings.without_microphone(np.ones(frequency.size, np.complex128), order_frequency)
        spectrum[row] *= factor * np.exp(-1j * band.phase) / deconvolution.edge(order_frequency)
        noise[row] *= np.abs(factor)
    return OrderReading(spectrum, noise, result.stretches)
