"""What a recording of a sweep says of how well it was made: noise, hum, a cut, clocks, turned wires, an echo."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "OWN_DELAY",
    "RATIOS",
    "Clock",
    "Echo",
    "Ending",
    "Hum",
    "band_signal_to_noise",
    "clock_error",
    "clock_ratio",
    "compactness",
    "excitation_delay",
    "first_reflection",
    "mains_hum",
    "normalized_correlation",
    "sweep_ending",
]


RATES = (44100, 48000, 88200, 96000, 176400, 192000)
RATIOS = tuple(
    sorted({round(a / b, 9) for a in RATES for b in RATES if a != b and 0.4 < a / b < 2.5}, key=lambda r: abs(r - 1))
)
"""Ratios between the usual sampling rates, the nearest to 1 first."""
OWN_DELAY = 40e-6
"""Seconds of delay per e-fold of frequency, above 3 kHz, that a crossover alone can look like (modelled ones of up to
fourth order at 2 kHz come to 30 microseconds); common practice, no source."""


@method(
    "recording-signal-to-noise",
    version=1,
    title="Signal-to-noise ratio of a recording, per band, against its own silence",
    formula="10 lg of (mean square of the sound less that of the silence) over that of the silence, band by band",
    source="ratio of mean squares, the silence's share taken off the sound",
    source_status="common practice, no source",
    limitations="Steady noise only. Over the whole recording: what a time window keeps off afterwards is not counted.",
)
def band_signal_to_noise(sound: ArrayLike, silence: ArrayLike) -> Floats:
    """Signal-to-noise ratio in dB.

    Parameters
    ----------
    sound, silence : array_like, shape (..., bands)
        Mean squares while the sound lasts and in the silence of the same recording.

    Returns
    -------
    numpy.ndarray, shape (..., bands)
        At least -30 dB, at most 200 dB; NaN where one of the two is not known.
    """
    ratio = np.asarray(sound, dtype=np.float64) / np.maximum(np.asarray(silence, dtype=np.float64), 1e-300)
    return np.asarray(10 * np.log10(np.clip(ratio - 1, 1e-3, 1e20)))


@dataclass(frozen=True)
class Hum:
    """Lines of the mains in a silence.

    Attributes
    ----------
    mains : float
        50 or 60 Hz; 0 if there is no line of either.
    frequency, power : numpy.ndarray, shape (lines,)
        Hz and mean square of each line.
    """

    mains: float
    frequency: Floats
    power: Floats


_PROMINENCE = 40.0
"""Power of a line over the median of its surroundings: noise reaches 16 dB once in a hundred thousand lines or less."""
_HARMONICS = 12


@method(
    "mains-hum",
    version=1,
    title="Lines of 50 or 60 Hz mains and their harmonics in a silence",
    formula="Lines at multiples of 50 or 60 Hz that stand 16 dB above the median around them",
    source="lines at whole multiples of the mains frequency, 16 dB above the median of their surroundings",
    source_status="common practice, no source",
    limitations="Needs 0.25 s of silence. Any steady tone at such a frequency counts, whatever hums.",
)
def mains_hum(silence: ArrayLike, sampling_rate: float) -> Hum:
    """Find the lines of the mains.

    Parameters
    ----------
    silence : array_like, shape (samples,)
        Its first four seconds are looked at.
    sampling_rate : float
        Hz.

    Raises
    ------
    ValueError
        If the silence is shorter than 0.25 s.
    """
    part = np.asarray(silence, dtype=np.float64)[: round(4 * sampling_rate)]
    if part.size < 0.25 * sampling_rate:
        raise ValueError(f"a silence of {part.size / sampling_rate:.3g} s")
    window = np.hanning(part.size)
    power = np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2 * 2 / np.sum(window) ** 2
    bins = part.size / sampling_rate
    best = Hum(0.0, np.zeros(0), np.zeros(0))
    most = 0.0
    for mains in (50.0, 60.0):
        found = []
        for harmonic in range(1, _HARMONICS + 1):
            # The mains keep to some tenths of a per cent; a Hann window's line is four bins wide.
            centre, reach = harmonic * mains * bins, 1.5 + 0.004 * harmonic * mains * bins
            own = np.arange(math.ceil(centre - reach), math.floor(centre + reach) + 1)
            beside = np.arange(
                math.ceil(max(centre - 0.8 * mains * bins, centre - reach - 30)),
                math.floor(min(centre + 0.8 * mains * bins, centre + reach + 30)) + 1,
            )
            beside = beside[np.abs(beside - centre) > reach + 2]
            beside = beside[(beside > 0) & (beside < power.size)]
            if own[-1] >= power.size or beside.size < 12:
                continue
            peak = int(own[np.argmax(power[own])])
            if power[peak] > _PROMINENCE * np.median(power[beside]) and power[peak] > 0:
                found.append((peak / bins, float(power[peak])))
        # Multiples of 300 Hz are of both.
        own_power = sum(value for at, value in found if abs(at / 300 - round(at / 300)) * 300 > 5)
        if own_power > most:
            most = own_power
            best = Hum(mains, np.array([at for at, _ in found]), np.array([value for _, value in found]))
    return best


@dataclass(frozen=True)
class Ending:
    """Where the sound of a recording ends.

    Attributes
    ----------
    time : float
        Seconds from the start of the recording.
    fall : float
        dB by which it falls there within 10 ms for good; infinite where the recording itself ends.
    """

    time: float
    fall: float


@method(
    "sweep-ending",
    version=1,
    title="Where the sound of a recording stops, and how abruptly",
    formula="Ratio of the last 5 ms of sound to all that follows",
    source="the 5 ms, at most 50 dB below the loudest, that stand highest above all that comes from 5 ms after them on",
    source_status="common practice, no source",
    limitations="A room that rings on hides an abrupt end; a slow fade-out looks like a loudspeaker's own fall.",
)
def sweep_ending(record: ArrayLike, sampling_rate: float) -> Ending:
    """Find the end of the sound.

    Parameters
    ----------
    record : array_like, shape (samples,)
        Some 50 ms or longer.
    sampling_rate : float
        Hz.
    """
    values = np.asarray(record, dtype=np.float64)
    block = max(round(0.005 * sampling_rate), 1)
    # Counted from the end, so that the last block is a whole one.
    count = values.size // block
    power = (values[values.size - count * block :].reshape(count, block) ** 2).mean(axis=1)
    loudest = float(power.max(initial=0.0))
    # What still comes from 5 ms after each block on; nothing after the last ones.
    later = np.zeros(count)
    later[: max(count - 2, 0)] = np.maximum.accumulate(power[::-1])[::-1][2:]
    fall = power / np.maximum(later, 1e-12 * loudest)
    fall[power <= 1e-5 * loudest] = 0.0
    last = int(np.argmax(fall))
    if last + 2 >= count:
        return Ending(values.size / sampling_rate, math.inf)
    time = (values.size - (count - 1 - last) * block) / sampling_rate
    return Ending(time, 10 * math.log10(float(fall[last])))


@method(
    "excitation-delay",
    version=1,
    title="Time at which each frequency of an excitation is played",
    formula="Real part of the spectrum of the signal times time over the spectrum of the signal",
    source="group delay from the spectra of the signal and of the signal times time",
    limitations="Smoothed over a tenth of an octave; means something within the excitation's band only.",
)
def excitation_delay(signal: ArrayLike, sampling_rate: float, frequency: ArrayLike) -> Floats:
    """Group delay of an excitation.

    Parameters
    ----------
    signal : array_like, shape (samples,)
    sampling_rate : float
        Hz.
    frequency : array_like, shape (n,)
        Hz, ascending.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Seconds.
    """
    import scipy.fft

    x = np.asarray(signal, dtype=np.float64)
    length = int(scipy.fft.next_fast_len(x.size, real=True))
    spectrum = scipy.fft.rfft(x, length)
    timed = scipy.fft.rfft(x * (np.arange(x.size) / sampling_rate), length)
    power = spectrum.real**2 + spectrum.imag**2
    cross = timed.real * spectrum.real + timed.imag * spectrum.imag
    # Power-weighted means: where the spectrum ripples, its troughs say little.
    sums = [np.concatenate([[0.0], np.cumsum(one)]) for one in (cross, power)]
    f = np.asarray(frequency, dtype=np.float64)
    bins = length / sampling_rate
    low, high = (np.clip(np.round(f * by * bins).astype(np.int64), 0, power.size) for by in (2**-0.05, 2**0.05))
    high = np.minimum(np.maximum(high, low + 1), power.size)
    low = np.minimum(low, high - 1)
    above, below = (one[high] - one[low] for one in sums)
    return np.asarray(above / np.maximum(below, 1e-300))


@dataclass(frozen=True)
class Clock:
    """How much faster the recorder's clock seems to run than the player's.

    Attributes
    ----------
    error : float
        Parts in a million; above zero where the recording has more samples than was played.
    unsure : float
        Parts in a million that a loudspeaker's own delays can look like.
    before, after : float
        Compactness of the response as it is, and with that error taken out; 1 at most.
    """

    error: float
    unsure: float
    before: float
    after: float


_LENGTH = 4096


def _without_minimum_phase(spectrum: NDArray[np.complex128], frequency: Floats, band: tuple[float, float]) -> Floats:
    """Phase, in radians, that the magnitude within a band does not account for."""
    size = np.abs(spectrum)
    inside = np.flatnonzero((frequency >= band[0]) & (frequency <= band[1]))
    held = size.copy()
    # Beyond the band the response is held down without any phase, by the deconvolution.
    held[: inside[0]], held[inside[-1] :] = size[inside[0]], size[inside[-1]]
    log = np.log(np.maximum(held, 1e-3 * held.max()))
    cepstrum = np.fft.irfft(log)
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2
    cepstrum[half + 1 :] = 0
    return np.asarray(np.angle(spectrum) - np.fft.rfft(cepstrum).imag)


@method(
    "clock-error",
    version=1,
    title="Difference of clocks between excitation and recording, from the compactness of the response",
    formula="The relative error whose removal makes the fourth moment of the envelope over the square of the second "
    "moment greatest",
    source="a clock off by e turns the phase at f by -2 pi e f t(f), t being when f is played; the e that makes the "
    "response most compact (fourth over squared second moment of its envelope) once its minimum phase is taken out",
    source_status="common practice, no source",
    limitations="Looks above 3 kHz, up to one part in five hundred. A crossover's delay looks like a small error; it "
    "weighs "
    "the less the longer the sweep is.",
)
def clock_error(
    early: ArrayLike, sampling_rate: float, delay_frequency: ArrayLike, delay: ArrayLike, band: tuple[float, float]
) -> Clock:
    """Find the clocks' difference.

    Parameters
    ----------
    early : array_like, shape (samples,)
        Impulse response from a little before the arrival on, at most 4096 samples.
    sampling_rate : float
        Hz.
    delay_frequency, delay : array_like, shape (n,)
        Hz, and the seconds at which each is played; see :func:`excitation_delay`.
    band : (float, float)
        Hz that the response holds; what lies above 3 kHz (or in its upper two octaves) and below nine tenths of its
        upper end is looked at.

    Raises
    ------
    ValueError
        If the band is too narrow, or the frequencies in it are all played at once.
    """
    h = np.asarray(early, dtype=np.float64)[:_LENGTH]
    frequency: Floats = np.fft.rfftfreq(_LENGTH, 1 / sampling_rate).astype(np.float64)
    top = 0.9 * min(band[1], sampling_rate / 2)
    low = min(max(3000.0, band[0]), top / 4)
    chosen = np.flatnonzero((frequency >= low) & (frequency <= top))
    if low < band[0] or chosen.size < 64:
        raise ValueError(f"a band of {band[0]:g} to {band[1]:g} Hz")
    at = frequency[chosen]
    time = np.interp(at, np.asarray(delay_frequency, np.float64), np.asarray(delay, np.float64))
    spread = abs(float(time[-1] - time[0])) / math.log(at[-1] / at[0])
    if spread < 1e-3:
        raise ValueError("its frequencies are played too close together")
    spectrum = np.fft.rfft(h, _LENGTH)
    phase = _without_minimum_phase(spectrum, frequency, (min(100.0, low), 1.03 * top))[chosen]
    # Only what differs from a mere delay counts.
    turn = 2 * np.pi * at * (time - time.mean())
    line = np.polynomial.polynomial.polyfit(at, turn, 1, w=np.hanning(at.size) + 1e-9)
    turn = turn - np.polynomial.polynomial.polyval(at, line)
    whole = np.hanning(at.size) * np.exp(1j * phase)

    def compact(errors: Floats) -> Floats:
        rows = np.zeros((errors.size, 2 * _LENGTH), dtype=np.complex128)
        rows[:, chosen] = whole * np.exp(1j * errors[:, np.newaxis] * turn)
        power = np.abs(np.fft.ifft(rows)) ** 2
        moment: Floats = (power**2).sum(axis=1) / power.sum(axis=1) ** 2
        return moment

    ideal = np.zeros((1, 2 * _LENGTH), dtype=np.complex128)
    ideal[0, chosen] = np.hanning(at.size)
    flat = np.abs(np.fft.ifft(ideal)) ** 2
    best_possible = float((flat**2).sum() / flat.sum() ** 2)
    # Steps in which the response hardly changes, then finer ones about the best.
    step = OWN_DELAY / spread
    count = max(math.ceil(2e-3 / step), 2)
    grid = np.asarray(np.arange(-count, count + 1) * step, dtype=np.float64)
    values: Floats = np.concatenate([compact(part) for part in np.array_split(grid, -(-grid.size // 64))])
    step /= 8
    grid = np.asarray(float(grid[np.argmax(values)]) + np.arange(-9, 10) * step, dtype=np.float64)
    values = compact(grid)
    peak = int(np.argmax(values))
    error = float(grid[peak])
    if 0 < peak < grid.size - 1:
        left, middle, right = values[peak - 1 : peak + 2]
        error += step * 0.5 * float((left - right) / min(left - 2 * middle + right, -1e-300))
    before, after = compact(np.array([0.0, error])) / best_possible
    return Clock(1e6 * error, 1e6 * OWN_DELAY / spread, float(before), float(after))


def compactness(response: ArrayLike, sampling_rate: float) -> float:
    """Share of the energy of an impulse response from 5 ms before to 25 ms after its maximum.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular.
    sampling_rate : float
        Hz.
    """
    power = np.asarray(response, dtype=np.float64) ** 2
    peak = int(np.argmax(power))
    near = np.arange(peak - round(0.005 * sampling_rate), peak + round(0.025 * sampling_rate)) % power.size
    return float(power[np.unique(near)].sum() / max(float(power.sum()), 1e-300))


def _stretched(signal: Floats, ratio: float) -> Floats:
    """The signal with `ratio` times as many samples, what lies below half of the lower rate unchanged."""
    import scipy.fft

    # On lengths that transform quickly; the ratio is kept to a part in 1e5 or better, which compactness does not see.
    room = int(scipy.fft.next_fast_len(round(1.1 * signal.size), real=True))
    wide = round(room * ratio)
    spectrum = scipy.fft.rfft(signal, room)
    kept = np.zeros(wide // 2 + 1, dtype=np.complex128)
    shared = min(kept.size, spectrum.size)
    kept[:shared] = spectrum[:shared]
    return np.asarray(scipy.fft.irfft(kept, wide) * ratio)[: round(signal.size * ratio)]


@method(
    "clock-ratio",
    version=1,
    title="Ratio of sampling rates between excitation and recording that makes the response compact",
    formula="The ratio of usual sampling rates that gathers the greatest share of energy in one sample",
    source="deconvolution by the excitation stretched by each ratio of usual sampling rates; greatest share of energy "
    "in one sample",
    source_status="common practice, no source",
    limitations="Ratios of 44.1, 48, 88.2, 96, 176.4 and 192 kHz only; small errors of clocks are another method's.",
)
def clock_ratio(
    record: ArrayLike,
    excitation: ArrayLike,
    sampling_rate: float,
    band: tuple[float, float],
    ratios: Sequence[float] = RATIOS,
) -> tuple[float, float]:
    """Find the ratio.

    Parameters
    ----------
    record, excitation : array_like, shape (samples,)
        At the same nominal sampling rate.
    sampling_rate : float
        Hz.
    band : (float, float)
        Hz that the excitation covers.
    ratios : sequence of float
        Samples in the recording for each that was played.

    Returns
    -------
    ratio : float
        1 if none makes the response four times as compact.
    gain : float
        How much more compact it is than at 1.
    """
    from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, transform_length

    heard, played = np.asarray(record, dtype=np.float64), np.asarray(excitation, dtype=np.float64)

    def compact(ratio: float) -> float:
        signal = played if ratio == 1 else _stretched(played, ratio)
        length = transform_length(heard.size, signal.size)
        reach = band[0] / ratio, min(band[1] / ratio, 0.475 * sampling_rate)
        response = deconvolve(heard, inverse_spectrum(signal, length, sampling_rate, reach), length)
        return float(np.max(response**2) / np.sum(response**2))

    alone = compact(1.0)
    best, gain = 1.0, 1.0
    for ratio in ratios:
        by = compact(ratio) / alone
        if by > max(gain, 4.0):
            best, gain = ratio, by
    return best, gain


@dataclass(frozen=True)
class Echo:
    """The first strong echo after the arrival.

    Attributes
    ----------
    delay : float
        Seconds after the arrival; NaN if there is none.
    level : float
        dB re the direct sound, over the band; NaN if there is none.
    floor : float
        dB below which nothing could have been found.
    """

    delay: float
    level: float
    floor: float


@method(
    "first-reflection",
    version=1,
    title="First echo in an impulse response: its delay and its level",
    formula="Delay of the highest peak of the power cepstrum; its height is the echo's relative amplitude",
    source="peak of the power cepstrum (Bogert, Healy and Tukey 1963) of the band from 800 Hz to 16 kHz: "
    "ln|1 + g e^-jwT| = g cos wT for a weak echo; the first one 18 dB above the median and "
    "above the lowest level asked for",
    source_status="recalled",
    limitations="An echo is a late copy of the whole band; ringing is of a few frequencies, and counts by its share "
    "of the "
    "band (a resonance of 5 dB at a Q of 20 comes to -38 dB). What a wall or an angle takes from the echo's band, its "
    "level lacks. Earlier than 1.5 ms it is taken for the loudspeaker's own edges.",
)
def first_reflection(
    early: ArrayLike,
    sampling_rate: float,
    arrival: float,
    band: tuple[float, float] = (800.0, 16000.0),
    earliest: float = 0.0015,
    lowest: float = -30.0,
) -> Echo:
    """Find the first echo.

    Parameters
    ----------
    early : array_like, shape (samples,)
        Impulse response from before the arrival to the last delay that is looked for.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds from its first sample.
    band : (float, float)
        Hz.
    earliest : float
        Seconds after the arrival.
    lowest : float
        dB re the direct sound.

    Raises
    ------
    ValueError
        If the band is narrower than 2 kHz, or the response too short.
    """
    h = np.asarray(early, dtype=np.float64)
    low, high = band[0], min(band[1], 0.45 * sampling_rate)
    start = max(round((arrival - 0.001) * sampling_rate), 0)
    part = h[start:].copy()
    fall = round(0.003 * sampling_rate)
    latest = (part.size - fall) / sampling_rate - 0.001
    if high - low < 2000 or latest <= earliest:
        raise ValueError(f"a band of {low:g} to {high:g} Hz and {1e3 * latest:.3g} ms")
    part[part.size - fall :] *= np.cos(np.pi / 2 * (np.arange(fall) + 0.5) / fall) ** 2
    length = 2 ** math.ceil(math.log2(4 * part.size))
    frequency = np.fft.rfftfreq(length, 1 / sampling_rate)
    chosen = np.flatnonzero((frequency >= low) & (frequency <= high))
    size = np.abs(np.fft.rfft(part, length))[chosen]
    weight = np.hanning(chosen.size)
    log = np.log(np.maximum(size, 1e-4 * size.max()))
    row = np.zeros(2 * length, dtype=np.complex128)
    row[chosen] = weight * (log - np.average(log, weights=weight))
    cepstrum = np.abs(np.fft.ifft(row)) * 2 * row.size / weight.sum()
    # Twice the length, for delays between samples.
    step = 1 / (2 * sampling_rate)
    first, last = math.ceil(earliest / step), math.floor(latest / step)
    floor = max(8.0 * float(np.median(cepstrum[first : last + 1])), 10 ** (lowest / 20))
    within = cepstrum[first - 1 : last + 2]
    peaks = np.flatnonzero((within[1:-1] >= within[:-2]) & (within[1:-1] > within[2:]) & (within[1:-1] >= floor))
    if not peaks.size:
        return Echo(math.nan, math.nan, 20 * math.log10(floor))
    # The foot of a strong peak is not an echo of its own: take the greatest within the reach of the first.
    reach = max(round(2.0 / ((high - low) * step)), 1)
    near = peaks[(peaks < peaks[0] + reach)]
    peak = int(near[np.argmax(within[near + 1])]) + 1
    left, middle, right = within[peak - 1 : peak + 2]
    shift = 0.5 * float((left - right) / min(left - 2 * middle + right, -1e-300))
    delay = (first - 1 + peak + shift) * step
    return Echo(delay, 20 * math.log10(float(middle)), 20 * math.log10(floor))


@method(
    "response-likeness",
    version=1,
    title="Likeness of two impulse responses, with its sign",
    formula="Extreme of the cross-correlation over the root of the product of both energies",
    source="greatest magnitude of their normalised cross-correlation within 0.3 ms of their arrivals",
    source_status="common practice, no source",
    limitations="Near a null of the directivity neighbours are unlike each other, whatever their polarity.",
)
def normalized_correlation(first: ArrayLike, second: ArrayLike, sampling_rate: float) -> float:
    """Likeness from -1 (the same, turned over) through 0 (nothing in common) to 1 (the same).

    Parameters
    ----------
    first, second : array_like, shape (samples,)
        Of one length, both beginning equally long before their arrivals.
    sampling_rate : float
        Hz.

    Raises
    ------
    ValueError
        If one of them is silent.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    norm = math.sqrt(float(a @ a) * float(b @ b))
    if not norm > 0:
        raise ValueError("a response is silent")
    length = 2 ** math.ceil(math.log2(2 * a.size))
    correlation = np.fft.irfft(np.fft.rfft(a, length) * np.conj(np.fft.rfft(b, length)))
    reach = round(0.0003 * sampling_rate)
    near = correlation[np.arange(-reach, reach + 1)]
    return float(near[np.argmax(np.abs(near))] / norm)
