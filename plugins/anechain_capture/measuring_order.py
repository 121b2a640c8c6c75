"""In which order the recordings on the axis were measured, and when each was started."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath

from anechain.errors import InputError, Problem
from anechain_capture.files import HERE, RecordedFile
from anechain_capture.options import CaptureOptions

__all__ = ["Measured", "measuring_order"]

_NUMBERS = "a number each: 1, 2, 3"
_TIMES = "seconds, or date and time such as 2030-05-04T10:20:30"


@dataclass(frozen=True)
class Measured:
    """Recordings in the order they were measured.

    Attributes
    ----------
    labels : tuple of str
    started : tuple of float
        Seconds after the first was started; NaN where it is not known.
    """

    labels: tuple[str, ...]
    started: tuple[float, ...]


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan


def _seconds(told: Mapping[str, str], problems: list[Problem]) -> dict[str, float]:
    """Times in seconds, counted from any moment, of those that say one."""
    texts = {label: text for label, text in told.items() if text}
    numbers = {label: _number(text) for label, text in texts.items()}
    if all(math.isfinite(number) for number in numbers.values()):
        return numbers
    times: dict[str, datetime] = {}
    for label, text in texts.items():
        try:
            times[label] = datetime.fromisoformat(text.upper())
        except ValueError:
            problems.append(Problem(label, f"the time {text!r} in the column started", _TIMES, "correct the manifest"))
    aware = {time.tzinfo is not None for time in times.values()}
    if len(aware) > 1:
        label = next(label for label, time in times.items() if time.tzinfo is None)
        what = f"the time {texts[label]!r} has no time zone, others have one"
        problems.append(Problem(label, what, "all with a time zone, or none", "correct the manifest"))
    if problems or not times:
        return {}
    first = min(times.values())
    return {label: (time - first).total_seconds() for label, time in times.items()}


def _by_list(listed: Sequence[str], files: Sequence[RecordedFile], on_axis: Sequence[str]) -> list[str]:
    """Labels on the axis in the order of the option."""
    problems: list[Problem] = []
    ranked: list[str] = []
    where = f"{HERE}, option `order`"
    for name in listed:
        parts = PurePath(name.replace("\\", "/")).parts
        matching = [file.label for file in files if parts and file.path.parts[-len(parts) :] == parts]
        if len(matching) != 1:
            what = f"{name!r} is " + ("none of the recordings" if not matching else f"any of {matching}")
            problems.append(Problem(where, what, "the name of one recording", "correct the name, or take it out"))
        elif matching[0] in ranked:
            problems.append(Problem(where, f"{name!r} is listed twice", "each recording once", "take one out"))
        else:
            ranked.append(matching[0])
    problems.extend(
        Problem(label, "on the axis, and not listed in the option `order`", "all recordings on the axis", "list it")
        for label in on_axis
        if label not in ranked and not problems
    )
    if problems:
        raise InputError(problems)
    return [label for label in ranked if label in on_axis]


def _by_labels(
    told: Mapping[str, str], seconds: Mapping[str, float], on_axis: Sequence[str], problems: list[Problem]
) -> list[str]:
    """Labels on the axis by their numbers or, where there are none, by their times; none where nothing is said."""
    rank: dict[str, float] = {}
    if any(told.values()):
        rank = {label: _number(text) for label, text in told.items()}
        problems.extend(
            Problem(label, f"its place in the measuring order is {told[label]!r}", _NUMBERS, "correct it, or tell none")
            for label in on_axis
            if not math.isfinite(rank[label])
        )
    elif seconds:
        rank = dict(seconds)
        problems.extend(
            Problem(label, "no time in the column started, where others have one", _TIMES, "complete the manifest")
            for label in on_axis
            if label not in rank
        )
    if problems or not rank:
        return []
    ranked = sorted(on_axis, key=lambda label: rank[label])
    for before, after in itertools.pairwise(ranked):
        if rank[before] == rank[after]:
            what = f"measured at the same place in the order as {before}"
            problems.append(Problem(after, what, "an order that tells which was first", "correct it"))
    return ranked


def measuring_order(
    files: Sequence[RecordedFile], on_axis: Sequence[RecordedFile], options: CaptureOptions
) -> Measured | None:
    """Order in which the recordings on the axis were measured; None where nothing says it.

    Raises
    ------
    InputError
        If what is said of it cannot be, or leaves some recordings out.
    """
    labels = [file.label for file in on_axis]
    said = {
        name: {file.label: file.direction.labels.get(name, "") for file in on_axis} for name in ("order", "started")
    }
    problems: list[Problem] = []
    seconds = _seconds(said["started"], problems)
    if options.order is not None:
        if any(said["order"].values()):
            what = "option `order` beside a field {order} or a column order"
            raise InputError.single(HERE, what, "one of them", "leave out the option")
        ranked = _by_list(options.order, files, labels)
    else:
        ranked = _by_labels(said["order"], seconds, labels, problems)
    if ranked and seconds and ranked[0] not in seconds:
        what = "no time in the column started, and it was measured first"
        problems.append(Problem(ranked[0], what, "times from the first recording on", "complete the manifest"))
    if problems:
        raise InputError(problems)
    if not ranked:
        return None
    first = seconds.get(ranked[0], math.nan)
    started = [seconds.get(label, math.nan) - first for label in ranked]
    known = [label for label in ranked if label in seconds]
    for before, after in itertools.pairwise(known):
        if seconds[after] < seconds[before]:
            what = f"started before {before}, which was measured before it"
            raise InputError.single(after, what, "times that rise with the order", "correct the order or the times")
    return Measured(tuple(ranked), tuple(started))
