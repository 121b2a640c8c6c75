"""Which modules contribute numbers, in the order in which they are shown.

A module that reads a dataset of its own (distortion, compression) adds one entry to :data:`GROUPS`: the datasets that
it reads beside curves and responses, the methods that it uses, and a function that gives its numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from anechain.data.numbers import Number
from anechain.figure_of_merit import (
    aiming,
    compression,
    coverage,
    distortion,
    flatness,
    frequency_range,
    level,
    peaks,
    predictor,
    terminals,
    trend_lines,
    usable,
)
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["GROUPS", "Group", "GroupResult", "everything"]


@dataclass(frozen=True)
class GroupResult:
    """What a group makes.

    Attributes
    ----------
    numbers : tuple of Number
        In the order in which they are shown.
    datasets : mapping of str to xarray.Dataset
        Arrays by frequency, by the name of their contract.
    lists : mapping of str to list
        Members of numbers.json that are no numbers.
    """

    numbers: tuple[Number, ...]
    datasets: dict[str, xr.Dataset] = field(default_factory=dict)
    lists: dict[str, list[dict[str, Any]]] = field(default_factory=dict)


@dataclass(frozen=True)
class Group:
    """Numbers that belong together.

    Attributes
    ----------
    name : str
        For the contributor.
    uses : tuple of str
        Ids of the methods it uses.
    make : callable
        Takes what is given and makes the numbers. It names a gap for everything that it cannot make.
    reads : tuple of str
        Datasets that it reads where they are there, beside "curves" and "responses".
    """

    name: str
    uses: tuple[str, ...]
    make: Callable[[MetricInputs], GroupResult]
    reads: tuple[str, ...] = ()


def _plain(numbers: Callable[[MetricInputs], Iterator[Number]]) -> Callable[[MetricInputs], GroupResult]:
    return lambda inputs: GroupResult(tuple(numbers(inputs)))


def _flatness(inputs: MetricInputs) -> GroupResult:
    dataset = trend_lines.trends_dataset(inputs)
    return GroupResult(tuple(flatness.numbers(inputs)), {} if dataset is None else {"trends": dataset})


def _peaks(inputs: MetricInputs) -> GroupResult:
    report = peaks.search(inputs)
    return GroupResult(tuple(peaks.numbers(inputs, report)), lists={"deviations": peaks.deviation_list(inputs, report)})


def _coverage(inputs: MetricInputs) -> GroupResult:
    found = coverage.beams(inputs)
    dataset = coverage.directivity(inputs, found)
    made = {} if dataset is None else {"directivity": dataset}
    return GroupResult(tuple(coverage.numbers(inputs, found)), made)


def _aiming(inputs: MetricInputs) -> GroupResult:
    aim = aiming.compare_aims(inputs)
    dataset = aiming.aim_dataset(inputs, aim)
    return GroupResult(tuple(aiming.numbers(inputs, aim)), {} if dataset is None else {"aim": dataset})


def _terminals(inputs: MetricInputs) -> GroupResult:
    errors = terminals.errors_of(inputs)
    dataset = terminals.impedance_uncertainty(inputs, errors)
    made = {} if dataset is None else {"impedance_uncertainty": dataset}
    return GroupResult(tuple(terminals.numbers(inputs, errors)), made)


def _distortion(inputs: MetricInputs) -> GroupResult:
    return GroupResult(
        tuple(distortion.distortion_numbers(inputs)), lists={"distortion_peaks": distortion.peak_list(inputs)}
    )


GROUPS = (
    Group("level", level.USES, _plain(level.numbers), ("impedance",)),
    Group("range", frequency_range.USES, _plain(frequency_range.numbers)),
    Group("flatness", flatness.USES, _flatness),
    Group("peaks", peaks.USES, _peaks),
    Group("coverage", coverage.USES, _coverage, ("sphere",)),
    Group("aiming", aiming.USES, _aiming),
    Group("predictor", predictor.USES, _plain(predictor.numbers)),
    Group("terminals", terminals.USES, _terminals, ("impedance",)),
    Group("distortion", distortion.USES, _distortion, ("distortion", "multitone", "harmonics")),
    Group("compression", compression.USES, _plain(compression.compression_numbers), ("compression",)),
    Group("usable limits", usable.USES, _plain(usable.usable_numbers), ("compression", "harmonics", "distortion")),
)


def everything(inputs: MetricInputs) -> GroupResult:
    """All groups together.

    Raises
    ------
    ValueError
        If two numbers have one id.
    """
    made = [group.make(inputs) for group in GROUPS]
    numbers = tuple(one for part in made for one in part.numbers)
    if len({one.id for one in numbers}) != len(numbers):
        raise ValueError("two numbers have one id")
    return GroupResult(
        numbers,
        {name: data for part in made for name, data in part.datasets.items()},
        {name: entries for part in made for name, entries in part.lists.items()},
    )
