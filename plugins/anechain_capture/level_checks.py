"""Checks of levels in the recordings: clipping, signal to noise, mains hum."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.recording.recording_noise import band_signal_to_noise
from anechain.hooks import Check, Series, check_not_possible, check_result
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_facts import BANDS
from anechain_capture.recording_set import RecordingSet

__all__ = ["check_clipping", "check_hum", "check_signal_to_noise"]

FULL_SCALE = 0.999
"""Share of full scale above which a peak counts as limited by the converter."""
FLAT_SAMPLES = 50
"""Number of samples at the peak that cannot be chance even below full scale; common practice, no source."""
AUDIBLE_RANGE = 20.0
"""Third-octave bands count down to this many dB below the loudest band; common practice, no source."""
NO_RECORDINGS = "the files are impulse responses, not recordings"
"""Reason why a check of recordings is not possible."""


def check_clipping(recordings: Sequence[Recording]) -> Check:
    """Check the number of samples at the peak of each recording."""
    counts = []
    for recording in recordings:
        facts = recording.facts
        clipped = facts.clipped if facts.peak >= FULL_SCALE else 0
        # Below full scale, flat peaks come from another stage or from chance: never worse than doubtful.
        if facts.peak < FULL_SCALE and facts.clipped >= FLAT_SAMPLES:
            clipped = min(facts.clipped, 10)
        counts.append(float(clipped))
    loudest = max(recordings, key=lambda recording: recording.facts.peak)
    worst = int(np.argmax(counts))
    text = f"largest peak {20 * math.log10(loudest.facts.peak):+.2f} dB re full scale ({loudest.label})"
    if counts[worst]:
        facts = recordings[worst].facts
        text += f"; {facts.clipped} samples at the peak of {recordings[worst].label}"
        if facts.peak < FULL_SCALE:
            text += ", below full scale: a stage before the converter clips, or the gain was changed afterwards"
    return check_result("clipping", text, [(each.label, count) for each, count in zip(recordings, counts, strict=True)])


def _audible_bands(recording: Recording, valid_band: tuple[float, float]) -> NDArray[np.bool_]:
    """Return which of BANDS are in the valid band and near the level of the loudest band, shape (34,)."""
    edge = 10**0.05
    inside = (BANDS / edge >= valid_band[0] * 0.999) & (BANDS * edge <= valid_band[1] * 1.001)
    sound_power = recording.facts.sound_power
    power = np.where(inside & np.isfinite(sound_power), sound_power, 0.0)
    return np.asarray(inside & (power > power.max() * 10 ** (-AUDIBLE_RANGE / 10)))


def check_signal_to_noise(recording_set: RecordingSet) -> Check:
    """Check the signal-to-noise ratio in third-octave bands."""
    if recording_set.excitation is None:
        return check_not_possible("signal-to-noise", NO_RECORDINGS)
    ratios = np.full((len(recording_set.recordings), BANDS.size), np.nan)
    values: list[tuple[str, float]] = []
    lowest: list[tuple[float, float, str]] = []
    for row, recording in enumerate(recording_set.recordings):
        facts = recording.facts
        audible = _audible_bands(recording, recording_set.valid_band)
        ratios[row, audible] = band_signal_to_noise(facts.sound_power, facts.silence_power)[audible]
        if np.isfinite(ratios[row]).any():
            band = int(np.nanargmin(ratios[row]))
            values.append((recording.label, float(ratios[row, band])))
            lowest.append((float(ratios[row, band]), float(BANDS[band]), recording.label))
    if not values:
        return check_not_possible("signal-to-noise", "no recording has 50 ms of silence before or after the sound")
    known = np.isfinite(ratios).any(axis=0)
    minimum, median = np.nanmin(ratios[:, known], axis=0), np.nanmedian(ratios[:, known], axis=0)
    ratio, band_frequency, label = min(lowest)
    text = (
        f"minimum {ratio:.1f} dB, in the third octave at {band_frequency:.4g} Hz of {label}; "
        f"median {np.median(median):.1f} dB"
    )
    series = Series(
        "Frequency in Hz",
        "Signal to noise in dB",
        tuple(BANDS[known].tolist()),
        (("minimum", tuple(minimum.tolist())), ("median", tuple(median.tolist()))),
        log=True,
    )
    return check_result("signal-to-noise", text, values, series)


def check_hum(recording_set: RecordingSet) -> Check:
    """Check the distance of mains lines from the sound in their third-octave band."""
    if recording_set.excitation is None:
        return check_not_possible("hum", NO_RECORDINGS)
    examined = [recording for recording in recording_set.recordings if recording.facts.hum is not None]
    if not examined:
        return check_not_possible("hum", "no recording has 0.25 s of silence before or after the sound")
    values: list[tuple[str, float]] = []
    margin_of_line: dict[int, float] = {}
    mains: list[float] = []
    for recording in examined:
        hum = recording.facts.hum
        if hum is None or not hum.mains:
            continue
        mains.append(hum.mains)
        audible = _audible_bands(recording, recording_set.valid_band)
        for line_frequency, power in zip(hum.frequency, hum.power, strict=True):
            band = int(np.argmin(np.abs(np.log(BANDS / line_frequency))))
            if audible[band] and power > 0:
                sound = max(float(recording.facts.sound_power[band]) - power, 1e-3 * power)
                margin = 10 * math.log10(sound / power)
                values.append((recording.label, margin))
                line = round(line_frequency / hum.mains)
                margin_of_line[line] = min(margin_of_line.get(line, math.inf), margin)
    if not mains:
        return check_result("hum", f"no line of 50 or 60 Hz mains in the silence of {len(examined)} recordings")
    frequency = max(set(mains), key=lambda each: (mains.count(each), each))
    text = f"{frequency:g} Hz mains in {len(mains)} of {len(examined)} recordings"
    if not margin_of_line:
        return check_result("hum", f"{text}, outside the audible bands")
    worst = sorted(margin_of_line, key=lambda line: margin_of_line[line])[:4]
    lines = ", ".join(f"{frequency * line:g} Hz {margin_of_line[line]:.1f} dB" for line in worst)
    return check_result("hum", f"{text}; smallest distance below the sound in the same third octave: {lines}", values)
