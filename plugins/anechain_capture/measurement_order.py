"""Measurement order of the recordings on the axis, and their start times."""

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

__all__ = ["MeasurementOrder", "measurement_order"]

_NUMBERS = "a number for each: 1, 2, 3"
_TIMES = "seconds, or date and time such as 2030-05-04T10:20:30"


@dataclass(frozen=True)
class MeasurementOrder:
    """Recordings in the order in which they were measured.

    Attributes
    ----------
    labels : tuple of str
        Names of the files in messages.
    started : tuple of float
        Start time in seconds after the first recording; NaN if it is not known.
    """

    labels: tuple[str, ...]
    started: tuple[float, ...]


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan


def _start_times(cells: Mapping[str, str], problems: list[Problem]) -> dict[str, float]:
    """Return start times in seconds after any moment, without recordings that have none.

    `cells` are the texts of the column started, by label.
    """
    texts = {label: text for label, text in cells.items() if text}
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


def _order_of_option(listed: Sequence[str], files: Sequence[RecordedFile], on_axis: Sequence[str]) -> list[str]:
    """Return the labels on the axis in the order of the option `order`."""
    problems: list[Problem] = []
    ordered: list[str] = []
    where = f"{HERE}, option `order`"
    for name in listed:
        parts = PurePath(name.replace("\\", "/")).parts
        matching = [file.label for file in files if parts and file.path.parts[-len(parts) :] == parts]
        if len(matching) != 1:
            what = f"{name!r} is " + ("none of the recordings" if not matching else f"any of {matching}")
            problems.append(Problem(where, what, "the name of one recording", "correct the name, or remove it"))
        elif matching[0] in ordered:
            problems.append(Problem(where, f"{name!r} is listed twice", "each recording once", "remove one"))
        else:
            ordered.append(matching[0])
    problems.extend(
        Problem(label, "on the axis, but not in the option `order`", "all recordings on the axis", "list it")
        for label in on_axis
        if label not in ordered and not problems
    )
    if problems:
        raise InputError(problems)
    return [label for label in ordered if label in on_axis]


def _order_of_names(
    numbers: Mapping[str, str], times: Mapping[str, float], on_axis: Sequence[str], problems: list[Problem]
) -> list[str]:
    """Return the labels on the axis by their numbers, else by their start times, else an empty list.

    `numbers` are the texts of the field or column order, `times` the start times in seconds, by label.
    """
    rank: dict[str, float] = {}
    if any(numbers.values()):
        rank = {label: _number(text) for label, text in numbers.items()}
        problems.extend(
            Problem(
                label, f"its place in the measurement order is {numbers[label]!r}", _NUMBERS, "correct or remove it"
            )
            for label in on_axis
            if not math.isfinite(rank[label])
        )
    elif times:
        rank = dict(times)
        problems.extend(
            Problem(label, "no time in the column started, but others have one", _TIMES, "complete the manifest")
            for label in on_axis
            if label not in rank
        )
    if problems or not rank:
        return []
    ordered = sorted(on_axis, key=lambda label: rank[label])
    for before, after in itertools.pairwise(ordered):
        if rank[before] == rank[after]:
            what = f"has the same place in the measurement order as {before}"
            problems.append(Problem(after, what, "different places", "correct it"))
    return ordered


def measurement_order(
    files: Sequence[RecordedFile], on_axis: Sequence[RecordedFile], options: CaptureOptions
) -> MeasurementOrder | None:
    """Return the order in which the recordings on the axis were measured.

    Parameters
    ----------
    files : sequence of RecordedFile
        All recordings of the device.
    on_axis : sequence of RecordedFile
        Those on the reference axis.
    options : CaptureOptions

    Returns
    -------
    MeasurementOrder or None
        None if neither options, file names nor manifest state the order.

    Raises
    ------
    InputError
        If the order is contradictory, or does not include all recordings on the axis.
    """
    labels = [file.label for file in on_axis]
    stated = {
        name: {file.label: file.direction.labels.get(name, "") for file in on_axis} for name in ("order", "started")
    }
    problems: list[Problem] = []
    times = _start_times(stated["started"], problems)
    if options.order is not None:
        if any(stated["order"].values()):
            what = "option `order` together with a field {order} or a column order"
            raise InputError.single(HERE, what, "one of them", "leave out the option")
        ordered = _order_of_option(options.order, files, labels)
    else:
        ordered = _order_of_names(stated["order"], times, labels, problems)
    if ordered and times and ordered[0] not in times:
        what = "no time in the column started, but it was measured first"
        problems.append(Problem(ordered[0], what, "times from the first recording on", "complete the manifest"))
    if problems:
        raise InputError(problems)
    if not ordered:
        return None
    first = times.get(ordered[0], math.nan)
    started = [times.get(label, math.nan) - first for label in ordered]
    with_time = [label for label in ordered if label in times]
    for before, after in itertools.pairwise(with_time):
        if times[after] < times[before]:
            what = f"started before {before}, but was measured after it"
            raise InputError.single(after, what, "times that rise with the order", "correct the order or the times")
    return MeasurementOrder(tuple(ordered), tuple(started))
