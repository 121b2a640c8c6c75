"""Checks of the impulse responses: polarity, polarity against neighbours."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from anechain.acoustics.recording.polarity import normalized_correlation
from anechain.hooks import Check, check_not_possible, check_result
from anechain_capture.recording_analysis import Recording

__all__ = ["check_polarity", "check_polarity_agreement", "nearest_axis"]

NEIGHBOUR_ANGLE = 30.0
"""Largest angle in degrees between recordings that are compared; common practice, no source."""
MIN_CORRELATION = 0.5
"""Smallest normalised correlation of recordings whose polarity can be compared; common practice, no source."""


def nearest_axis(recordings: Sequence[Recording]) -> list[Recording]:
    """Return the recordings with the smallest angle from the axis."""
    smallest = min(abs(recording.direction.angle) for recording in recordings)
    return [recording for recording in recordings if abs(recording.direction.angle) == smallest]


def check_polarity(recordings: Sequence[Recording]) -> Check:
    """Check the sign of the first large swing on the axis."""
    on_axis = nearest_axis(recordings)
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
