"""Check of the reflections inside the window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.recording.reflections import (
    EARLIEST,
    EDGE_TIME,
    LOWEST,
    FoundReflections,
    Reflection,
    find_reflections,
    later_energy,
    level_through_window,
)
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency
from anechain.hooks import Check, Series, check_not_possible, check_result
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_facts import BEFORE_REFLECTIONS, FRONT_ANGLE
from anechain_capture.recording_set import RecordingSet
from anechain_capture.response_checks import nearest_axis

__all__ = ["check_reflections", "proposed_window"]

SPEED_OF_SOUND = 343.2
"""m/s at 20 °C, for path differences in texts."""
BAND = (800.0, 16000.0)
"""Hz; below, a response within a few milliseconds does not separate a reflection from the decay of the box."""
POINTS = 280
"""Largest number of points of the curve that is drawn."""


@dataclass(frozen=True)
class _Searched:
    """Reflections of one recording; those inside the window have their level behind the window."""

    label: str
    found: FoundReflections
    inside: tuple[Reflection, ...]
    outside: tuple[Reflection, ...]
    energy: float

    @property
    def worst(self) -> float:
        """Level in dB of the strongest reflection inside the window, or of all later sound; minus infinity if none."""
        return max([self.energy, *(reflection.level for reflection in self.inside)])


def _search(recording: Recording, sampling_rate: int, band: tuple[float, float], window: Window | None) -> _Searched:
    """Search the reflections of one recording."""
    facts = recording.facts
    response = facts.with_reflections.astype(np.float64)
    # The first sample is BEFORE_REFLECTIONS before the arrival, rounded to a sample.
    arrival = facts.arrival - round((facts.arrival - BEFORE_REFLECTIONS) * sampling_rate) / sampling_rate
    found = find_reflections(response, sampling_rate, arrival, band, facts.latest_reflection)
    behind = [
        Reflection(reflection.delay, level_through_window(reflection.level, reflection.delay, window), reflection.band)
        for reflection in found.reflections
    ]
    inside = tuple(reflection for reflection in behind if reflection.level >= LOWEST)
    outside = tuple(
        before for before, after in zip(found.reflections, behind, strict=True) if before.level >= LOWEST > after.level
    )
    return _Searched(recording.label, found, inside, outside, later_energy(found, window))


def check_reflections(recording_set: RecordingSet, recordings: Sequence[Recording], options: CaptureOptions) -> Check:
    """Check the level of reflections inside the window, in front of the loudspeaker.

    Parameters
    ----------
    recording_set : RecordingSet
    recordings : sequence of Recording
        Those at the drive of the responses.
    options : CaptureOptions
    """
    excitation = recording_set.excitation
    band = BAND
    if excitation is not None:
        band = max(band[0], 1.2 * excitation.band[0]), min(band[1], 0.9 * excitation.band[1])
    front = [recording for recording in recordings if abs(recording.direction.angle) <= FRONT_ANGLE]
    if not front:
        return check_not_possible("reflection", f"no recording within {FRONT_ANGLE:g}° of the axis")
    window = recording_set.window if options.window is not None else None
    if window is not None and window.after <= EARLIEST:
        reason = f"the window ends {1e3 * window.after:g} ms after the direct sound; reflections are searched from "
        return check_not_possible("reflection", f"{reason}{1e3 * EARLIEST:g} ms on")
    try:
        searched = [_search(recording, recording_set.sampling_rate, band, window) for recording in front]
    except ValueError as error:
        return check_not_possible("reflection", str(error))
    on_axis = next(each for each in searched if each.label == nearest_axis(front)[0].label)
    values = [(each.label, each.worst) for each in searched if each.worst >= LOWEST]
    return check_result("reflection", _text(searched, window), values, _series(on_axis), _floor(searched))


def proposed_window(reflection: Reflection, window: Window | None) -> Window | None:
    """Return a window that ends before a reflection; None if it arrives too early for one.

    Parameters
    ----------
    reflection : Reflection
    window : Window or None
        Its shape, and its fade relative to its length, are kept; by default Hann and a quarter.
    """
    # A margin of the resolution, and downwards to 0.1 ms.
    margin = 1 / (reflection.band[1] - reflection.band[0])
    after = math.floor(1e4 * (reflection.delay - margin)) / 1e4
    if reflection.delay < EARLIEST or after <= 0:
        return None
    shape, share = ("hann", 0.25) if window is None else (window.shape, window.fade / window.after)
    return Window(0.0 if window is None else window.before, after, share * after, shape)


def _proposal(reflection: Reflection, window: Window | None) -> str:
    """Return what to do about a reflection."""
    proposed = proposed_window(reflection, window)
    if proposed is None:
        return (
            "no window can end before it: remove the surface that is so close, or move the loudspeaker or the "
            "microphone; the edge of a wide box can be the cause too"
        )
    share = proposed.length / proposed.after
    return (
        f"a window with `after: {1e3 * proposed.after:.1f}` ends before it and is valid from "
        f"{lowest_valid_frequency(proposed):.0f} Hz, 1 / ({share:.3g} x {1e3 * proposed.after:.1f} ms)"
    )


def _of(reflection: Reflection) -> str:
    """Return delay, level and band of a reflection in print."""
    low, high = (f"{edge / 1000:.3g}" for edge in reflection.band)
    level = f"{reflection.level:.1f} dB re it in {low} to {high} kHz"
    return f"{1e3 * reflection.delay:.2f} ms after the direct sound, {level}"


def _text(searched: Sequence[_Searched], window: Window | None) -> str:
    """Return the result with its numbers."""
    place = (
        "in the responses, which have no window"
        if window is None
        else f"inside the window of {1e3 * window.after:g} ms"
    )
    inside = [(reflection, each.label) for each in searched for reflection in each.inside]
    outside = [(reflection, each.label) for each in searched for reflection in each.outside]
    worst = max(searched, key=lambda each: each.energy)
    together = f"all later sound together {worst.energy:.1f} dB re the direct sound"
    if inside:
        first, label = min(inside, key=lambda entry: entry[0].delay)
        strongest = max((reflection for reflection, _ in inside), key=lambda reflection: reflection.level)
        number = sum(1 for each in searched if each.inside)
        parts = [
            f"first reflection {_of(first)}, {place} ({label}; in {number} of {len(searched)} recordings)",
            f"path difference {SPEED_OF_SOUND * first.delay:.2f} m",
        ]
        if strongest is not first:
            parts.append(f"strongest {_of(strongest)}")
        if worst.energy > strongest.level:
            parts.append(together)
        return "; ".join([*parts, _proposal(first, window)])
    if worst.energy >= LOWEST:
        return f"no single reflection {place}, but {together} ({worst.label})"
    if outside:
        first, label = min(outside, key=lambda entry: entry[0].delay)
        return f"none {place}; the first is {_of(first)} ({label})"
    latest = min(each.found.latest for each in searched)
    return (
        f"none of {LOWEST:g} dB or more from {1e3 * EARLIEST:g} to {1e3 * latest:.0f} ms after the direct sound in "
        f"{len(searched)} recording{'s' * (len(searched) != 1)} within {FRONT_ANGLE:g}° of the axis"
    )


def _floor(searched: Sequence[_Searched]) -> tuple[float, str]:
    """Return the level below which a reflection is not found, with its cause and what to do."""
    worst = max(searched, key=lambda each: each.found.floor)
    floor = worst.found.floor
    if floor <= LOWEST:
        return floor, f"reflections below {LOWEST:g} dB re the direct sound are not searched: raise the limits"
    return floor, (
        f"noise hides reflections below {floor:.1f} dB re the direct sound ({worst.label}): use a longer sweep, or "
        "measure where it is quieter"
    )


def _series(searched: _Searched) -> Series:
    """Return the later sound of a recording, the largest in each interval, and its first reflection if it has one."""
    envelope, latest = searched.found.envelope, searched.found.latest
    step = max(1e-4, latest / POINTS)
    edges = np.arange(EDGE_TIME, latest - step, step)
    first = np.round(edges * envelope.sampling_rate).astype(int)
    last = np.maximum(np.round((edges + step) * envelope.sampling_rate).astype(int), first + 1)
    largest = np.array([envelope.amplitude[start:stop].max() for start, stop in zip(first, last, strict=True)])
    level = 20 * np.log10(np.maximum(largest, 1e-3))
    low, high = (f"{edge / 1000:.3g}" for edge in envelope.band)
    reflection_levels: list[float | None] = [None] * edges.size
    for reflection in sorted([*searched.inside, *searched.outside], key=lambda each: each.delay)[:1]:
        reflection_levels[int(np.argmin(np.abs(edges + step / 2 - reflection.delay)))] = reflection.level
    return Series(
        "Time after the direct sound in ms",
        "Level re the direct sound in dB",
        tuple((1e3 * (edges + step / 2)).tolist()),
        (
            (f"later sound on the axis, {low} to {high} kHz", tuple(level.tolist())),
            ("first reflection", tuple(reflection_levels)),
        ),
    )
