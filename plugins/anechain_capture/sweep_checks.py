"""Checks of the sweep: its end, the clocks of player and recorder, the law of the sweep, and the drives."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from anechain.acoustics.recording.clock_errors import clock_error
from anechain.acoustics.recording.excitation_timing import excitation_delay
from anechain.acoustics.recording.stated_signals import harmonic_time_error, level_error_by_drive
from anechain.arrays import Floats
from anechain.hooks import Check, check_not_possible, check_result, drive_errors_text
from anechain_capture.excitation import Excitation
from anechain_capture.level_checks import NO_RECORDINGS
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_set import RecordingSet
from anechain_capture.sampling_rate import RateRatio

__all__ = ["check_clock", "check_drives", "check_sweep_end", "check_sweep_law"]

ABRUPT_FALL_DB = 15.0
"""Fall of the level within 10 ms that no loudspeaker shows while a sweep continues; common practice, no source."""
SWEEP_END_TOLERANCE = 0.015
"""Seconds by which the end of a sweep may seem early, because of its fade and the length of the blocks examined."""
CLOCK_FILES = 3
"""Number of recordings from which the difference of clocks is determined."""
MAX_CRYSTAL_ERROR = 1000.0
"""Difference of two clocks, in parts per million, that is not possible between crystals."""
_GRID: Floats = np.geomspace(20.0, 20000.0, 240)


def _sweep_times(excitation: Excitation, sampling_rate: int) -> Floats:
    """Return the time in seconds at which each frequency of the grid is played."""
    assert excitation.signal is not None
    return excitation_delay(excitation.signal, sampling_rate, _GRID)


def check_sweep_end(recording_set: RecordingSet) -> Check:
    """Check the time that each recording lacks at the start or the end of the sweep."""
    excitation = recording_set.excitation
    if excitation is None:
        return check_not_possible("sweep-end", NO_RECORDINGS)
    values, cut = [], []
    for recording in recording_set.recordings:
        facts = recording.facts
        if facts.excitation_end is None:
            continue
        end = facts.arrival + facts.excitation_end
        lacking = end - facts.duration
        early = end - facts.sound_end.time
        if facts.sound_end.fall_db >= ABRUPT_FALL_DB and early > SWEEP_END_TOLERANCE:
            lacking = max(lacking, early)
        begins_late = facts.arrival < -1e-4
        if begins_late:
            lacking = max(lacking, -facts.arrival)
        values.append((recording.label, 1e3 * lacking))
        if lacking > 0:
            cut.append((lacking, recording.label, begins_late and lacking == -facts.arrival))
    if not values:
        return check_not_possible("sweep-end", "the end of the sweep is not known")
    if not cut:
        shortest = -max(value for _, value in values)
        return check_result(
            "sweep-end", f"every recording continues at least {shortest:.0f} ms after the end of the sweep", values
        )
    lacking, label, begins_late = max(cut)
    if begins_late:
        text = f"{label} begins {1e3 * lacking:.1f} ms after the start of the sweep"
    else:
        text = f"the sound of {label} stops {1e3 * lacking:.1f} ms before the end of the sweep arrives"
        text += _highest_frequency(excitation, recording_set.sampling_rate, lacking)
    return check_result("sweep-end", text, values)


def _highest_frequency(excitation: Excitation, sampling_rate: int, lacking: float) -> str:
    """Return text on the highest frequency of a sweep that lacks some seconds at its end; empty if not known."""
    if excitation.signal is None or excitation.end is None:
        return ""
    times = _sweep_times(excitation, sampling_rate)
    inside = (excitation.band[0] < _GRID) & (excitation.band[1] > _GRID)
    if not inside.any() or not (np.diff(times[inside]) > 0).all():
        return ""
    highest = float(np.interp(excitation.end - lacking, times[inside], _GRID[inside]))
    return f": nothing above {highest:.4g} Hz"


def check_clock(recording_set: RecordingSet, recordings: Sequence[Recording], options: CaptureOptions) -> Check:
    """Check the difference between the clocks of player and recorder.

    Parameters
    ----------
    recording_set : RecordingSet
    recordings : sequence of Recording
        Those from which the difference is determined.
    options : CaptureOptions
    """
    excitation, rate = recording_set.excitation, recording_set.sampling_rate
    if excitation is None:
        return check_not_possible("clock", NO_RECORDINGS)
    if options.loopback is not None or excitation.signal is None:
        return check_not_possible("clock", "loopback and sound are recorded by the same clock")
    if recording_set.rate_ratio is not None:
        return _wrong_sampling_rate(recording_set.rate_ratio, rate)
    times = _sweep_times(excitation, rate)
    nearest = sorted(recordings, key=lambda each: (abs(each.direction.angle), each.direction.plane, each.label))
    clocks, labels = [], []
    for recording in nearest[:CLOCK_FILES]:
        try:
            clocks.append(clock_error(recording.facts.early.astype(np.float64), rate, _GRID, times, excitation.band))
        except ValueError as error:
            return check_not_possible("clock", f"not possible with this response: {error}")
        labels.append(recording.label)
    median = sorted(clocks, key=lambda clock: clock.error)[len(clocks) // 2]
    estimate = f"{median.error:+.0f} ppm from {', '.join(labels)}"
    if abs(median.error) <= median.uncertainty:
        return check_result(
            "clock",
            f"no difference beyond {median.uncertainty:.0f} ppm, which the delay of a crossover can also cause "
            f"({estimate})",
        )
    text = (
        f"{estimate}; the delay of a crossover can look like {median.uncertainty:.0f} ppm; the response is "
        f"{100 * (median.after / median.before - 1):.1f} % more compact without this difference"
    )
    if abs(median.error) > MAX_CRYSTAL_ERROR:
        text += "; crystals do not differ so much: perhaps the excitation is not the signal that was played"
    return check_result("clock", text, [("all recordings", abs(median.error))])


def _wrong_sampling_rate(other: RateRatio, sampling_rate: int) -> Check:
    text = (
        f"the recordings fit the excitation at {other.ratio:.5f} times its sampling rate: the response of "
        f"{other.label} is then {other.gain:.0f} times as compact. Perhaps they were recorded at "
        f"{sampling_rate * other.ratio:.0f} Hz and labelled {sampling_rate} Hz, or a sweep with another start, stop "
        "or duration was played"
    )
    return check_result("clock", text, [("all recordings", 1e6 * abs(other.ratio - 1))])


def check_sweep_law(recording_set: RecordingSet, options: CaptureOptions) -> Iterator[Check]:
    """Check the times of harmonic orders by the stated law of the sweep against the signal that was played.

    Yields no check if there are no harmonics, or if the played signal is calculated from the law.
    """
    excitation = recording_set.excitation
    if options.harmonics is None or excitation is None or excitation.rate is None:
        return
    if options.loopback is not None:
        errors = {each.label: each.law_error for each in recording_set.recordings if each.law_error is not None}
    elif options.excitation is not None and excitation.signal is not None:
        law = recording_set.sampling_rate, excitation.rate, options.harmonics.orders, excitation.band
        errors = {options.excitation.name: harmonic_time_error(excitation.signal, *law)}
    else:
        return
    errors = {label: error for label, error in errors.items() if math.isfinite(error)}
    if not errors:
        yield check_not_possible("sweep-law", "no harmonic order is within the band")
        return
    worst = max(errors, key=lambda label: abs(errors[label]))
    error = errors[worst]
    text = f"times of harmonic orders agree with the law of the sweep within {1e3 * abs(error):.2g} ms"
    if abs(error) > 5e-4:
        text = (
            f"by the played signal ({worst}), harmonic orders are {1e3 * abs(error):.3g} ms "
            f"{'before' if error > 0 else 'after'} the time by the option `sweep`: its kind, start, stop or duration "
            "is wrong"
        )
    yield check_result("sweep-law", text, [(label, 1e3 * abs(value)) for label, value in errors.items()])


def check_drives(recording_set: RecordingSet, options: CaptureOptions) -> Iterator[Check]:
    """Check stated drives against the volts of the loopback or, if not known, against the levels on the axis."""
    if recording_set.excitation is None:
        return
    volts_of = recording_set.volts
    with_drive = [recording for recording in recording_set.recordings if recording.drive in volts_of]
    errors: dict[str, float]
    if options.loopback_volts is not None and options.loopback is not None:
        errors = {each.label: 20 * math.log10(each.volts / volts_of[each.drive]) for each in with_drive if each.volts}
        source = "volts of the loopback"
    else:
        with_drive = [recording for recording in with_drive if recording.label in recording_set.axis_labels]
        if len({volts_of[recording.drive] for recording in with_drive}) < 2:
            return
        with np.errstate(divide="ignore"):
            levels = np.array([20 * np.log10(np.abs(recording.spectrum)) for recording in with_drive])
        level_errors = level_error_by_drive(levels, [volts_of[recording.drive] for recording in with_drive])
        errors = {each.label: float(error) for each, error in zip(with_drive, level_errors, strict=True)}
        source = "level on the axis, re the lowest drive"
    errors = {label: error for label, error in errors.items() if math.isfinite(error)}
    if not errors:
        yield check_not_possible("drive", "drives or volts of the loopback are not known")
        return
    by_drive: dict[float, float] = {}
    for recording in with_drive:
        volts = volts_of[recording.drive]
        if recording.label in errors and abs(errors[recording.label]) >= abs(by_drive.get(volts, 0.0)):
            by_drive[volts] = errors[recording.label]
    listed = drive_errors_text(sorted(by_drive), [by_drive[volts] for volts in sorted(by_drive)])
    text = f"{source}, against stated drives: {listed}"
    same_error = len(by_drive) > 1 and np.ptp(list(by_drive.values())) < 1
    if options.loopback_volts is not None and same_error and abs(min(by_drive.values(), key=abs)) > 2:
        text += ": the same error at all drives, so `loopback_volts` may be wrong"
    yield check_result("drive", text, [(label, abs(error)) for label, error in errors.items()])
