"""Checks of the impulse responses: polarity, polarity against neighbours, first reflection."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from anechain.acoustics.recording.polarity import normalized_correlation
from anechain.acoustics.recording.reflections import first_reflection
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency
from anechain.hooks import Check, Series, check_not_possible, check_result
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_facts import EARLY
from anechain_capture.recording_set import RecordingSet

__all__ = ["check_polarity", "check_polarity_agreement", "check_reflection"]

FRONT_ANGLE = 45.0
"""Largest angle from the axis in degrees at which reflections are searched; common practice, no source."""
NEIGHBOUR_ANGLE = 30.0
"""Largest angle in degrees between recordings that are compared; common practice, no source."""
MIN_CORRELATION = 0.5
"""Smallest normalised correlation of recordings whose polarity can be compared; common practice, no source."""
SPEED_OF_SOUND = 343.2
"""m/s at 20 °C, for path differences in texts."""


def _nearest_axis(recordings: Sequence[Recording]) -> list[Recording]:
    """Return the recordings with the smallest angle from the axis."""
    smallest = min(abs(recording.direction.angle) for recording in recordings)
    return [recording for recording in recordings if abs(recording.direction.angle) == smallest]


def check_polarity(recordings: Sequence[Recording]) -> Check:
    """Check the sign of the first large swing on the axis."""
    on_axis = _nearest_axis(recordings)
    if abs(on_axis[0].direction.angle) > NEIGHBOUR_ANGLE:
        return check_not_possible("polarity", f"no recording within {NEIGHBOUR_ANGLE:g}° of the axis")
    values = [(recording.label, 1.0 if recording.facts.polarity < 0 else 0.0) for recording in on_axis]
    inverted = any(value for _, value in values)
    sign = "negative: microphone, amplifier or loudspeaker is inverted" if inverted else "positive"
    return check_result("polarity", f"the first large swing on the axis is {sign}", values)


def _sides(recordings: Sequence[Recording]) -> Iterator[list[Recording]]:
    """Yield the recordings of each side of each orbit, from the axis outwards."""
    for plane in sorted({recording.direction.plane for recording in recordings}):
        orbit = [recording for recording in recordings if recording.direction.plane == plane]
        for sign in (1, -1):
            side = [each for each in orbit if sign * each.direction.angle >= 0 or each.direction.angle == 180]
            yield sorted(side, key=lambda each: (abs(each.direction.angle), each.label))


def check_polarity_agreement(recordings: Sequence[Recording], sampling_rate: int) -> Check:
    """Check that neighbouring recordings have the same polarity.

    From the axis outwards, each recording is compared with its most similar neighbour towards the axis.

    Parameters
    ----------
    recordings : sequence of Recording
    sampling_rate : int
        Hz.
    """
    inverted: dict[str, float] = {}
    compared = 0
    for side in _sides(recordings):
        if not side or abs(side[0].direction.angle) > NEIGHBOUR_ANGLE:
            continue
        known: list[tuple[Recording, int]] = [(side[0], 1)]
        for recording in side[1:]:
            sign = _relative_polarity(recording, known, sampling_rate)
            if not sign:
                continue
            known.append((recording, sign))
            compared += 1
            inverted[recording.label] = max(inverted.get(recording.label, 0.0), 1.0 if sign < 0 else 0.0)
        inverted.setdefault(side[0].label, 0.0)
    if not compared:
        return check_not_possible(
            "polarity-agreement", f"no two recordings within {NEIGHBOUR_ANGLE:g}° of each other are similar enough"
        )
    count = sum(1 for value in inverted.values() if value)
    if count > len(inverted) / 2:
        # Then the recording on the axis is the inverted one.
        inverted = {label: 1.0 - value for label, value in inverted.items()}
        count = sum(1 for value in inverted.values() if value)
    text = f"{count} of {len(inverted)} comparable recordings are inverted relative to the others"
    return check_result("polarity-agreement", text, sorted(inverted.items()))


def _relative_polarity(recording: Recording, known: Sequence[tuple[Recording, int]], sampling_rate: int) -> int:
    """Return the sign of a recording relative to the axis by its most similar neighbour; 0 if none is similar."""
    angle = abs(recording.direction.angle)
    neighbours = [(other, sign) for other, sign in known if angle - abs(other.direction.angle) <= NEIGHBOUR_ANGLE]
    best, sign_of_best = 0.0, 0
    for other, sign in neighbours[-3:]:
        correlation = normalized_correlation(
            recording.facts.early.astype(np.float64), other.facts.early.astype(np.float64), sampling_rate
        )
        if abs(correlation) > abs(best):
            best, sign_of_best = correlation, sign
    if abs(best) < MIN_CORRELATION:
        return 0
    return sign_of_best if best > 0 else -sign_of_best


def check_reflection(recording_set: RecordingSet, recordings: Sequence[Recording], options: CaptureOptions) -> Check:
    """Check the level of the first reflection inside the window, in front of the loudspeaker.

    Parameters
    ----------
    recording_set : RecordingSet
    recordings : sequence of Recording
        Those at the drive of the responses.
    options : CaptureOptions
    """
    rate, excitation = recording_set.sampling_rate, recording_set.excitation
    band = (800.0, 16000.0)
    if excitation is not None:
        band = max(band[0], 1.2 * excitation.band[0]), min(band[1], 0.9 * excitation.band[1])
    front = [recording for recording in recordings if abs(recording.direction.angle) <= FRONT_ANGLE]
    if not front:
        return check_not_possible("reflection", f"no recording within {FRONT_ANGLE:g}° of the axis")
    window = recording_set.window if options.window is not None else None
    window_end = math.inf if window is None else window.after
    inside: list[tuple[float, float, str]] = []
    outside: list[tuple[float, float, str]] = []
    for recording in front:
        try:
            echo = first_reflection(recording.facts.early.astype(np.float64), rate, EARLY[0], band)
        except ValueError as error:
            return check_not_possible("reflection", str(error))
        if not math.isnan(echo.delay):
            (inside if echo.delay < window_end else outside).append((echo.delay, echo.level, recording.label))
    place = (
        "in the responses, which have no window" if window is None else f"inside the window of {1e3 * window_end:g} ms"
    )
    if inside:
        delay, level, label = min(inside)
        lowest = lowest_valid_frequency(Window(0.0, delay, 0.0, "rectangular"))
        text = (
            f"first {place} {1e3 * delay:.2f} ms after the sound, {level:.1f} dB re the sound ({label}; in "
            f"{len(inside)} of {len(front)} recordings): path difference {SPEED_OF_SOUND * delay:.2f} m; a window that "
            f"ends before it is valid from {lowest:.0f} Hz"
        )
    elif outside:
        delay, level, label = min(outside)
        text = f"none {place}; the first is {1e3 * delay:.2f} ms after the sound, {level:.1f} dB re the sound ({label})"
    else:
        text = (
            f"none from 1.5 to {1e3 * (EARLY[1] - 0.004):.0f} ms after the sound in {len(front)} recordings within "
            f"{FRONT_ANGLE:g}° of the axis"
        )
    values = [(label, level) for _, level, label in inside]
    series = _early_response_series(_nearest_axis(front)[0], rate, [*inside, *outside])
    return check_result("reflection", text, values, series)


def _early_response_series(
    recording: Recording, sampling_rate: int, echoes: Sequence[tuple[float, float, str]]
) -> Series:
    """Return the largest magnitude in each 0.1 ms of an early response, and its echo if it has one.

    `echoes` are delays in seconds, levels in dB and labels of recordings.
    """
    early = np.abs(recording.facts.early.astype(np.float64))
    edges = np.arange(-0.001, EARLY[1] - 1e-4, 1e-4)
    first = np.round((edges + EARLY[0]) * sampling_rate).astype(int)
    last = np.maximum(np.round((edges + 1e-4 + EARLY[0]) * sampling_rate).astype(int), first + 1)
    largest = np.array([early[start:stop].max() for start, stop in zip(first, last, strict=True)])
    level = 20 * np.log10(np.maximum(largest, 1e-6 * early.max()) / early.max())
    echo = next(((delay, echo_level) for delay, echo_level, label in echoes if label == recording.label), None)
    echo_levels: list[float | None] = [None] * edges.size
    if echo is not None:
        echo_levels[int(np.argmin(np.abs(edges + 5e-5 - echo[0])))] = echo[1]
    return Series(
        "Time after the sound in ms",
        "Level in dB",
        tuple((1e3 * (edges + 5e-5)).tolist()),
        (("early response on the axis", tuple(level.tolist())), ("echo", tuple(echo_levels))),
        limited=False,
    )
