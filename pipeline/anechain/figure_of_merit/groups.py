"""Groups of numbers, in the order in which they are shown.

Each module with numbers has one entry in :data:`GROUPS`: the methods that it uses, a function that returns its
numbers, and the datasets that it reads besides curves and responses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from anechain.data.numbers import Number
from anechain.figure_of_merit import (
    aim,
    axis_timing,
    beam_width,
    compression,
    directivity_dataset,
    directivity_indices,
    distortion,
    frequency_range,
    impedance,
    linearity,
    listening_height,
    peaks,
    preference,
    sensitivity,
    sphere,
    timing,
    trend_dataset,
    trends,
    usable_limits,
)
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["GROUPS", "Group", "GroupResult", "all_numbers"]


@dataclass(frozen=True)
class GroupResult:
    """Numbers, datasets and lists of a group.

    Attributes
    ----------
    numbers : tuple of Number
        In the order in which they are shown.
    datasets : mapping of str to xarray.Dataset
        Arrays by frequency, by the name of their contract.
    lists : mapping of str to list
        Members of numbers.json that are lists, such as the peaks and dips.
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
        For contributors; not shown.
    uses : tuple of str
        Ids of the methods that the group uses.
    make : callable
        Takes the inputs and returns the numbers; a number that cannot be computed is a gap with its reason.
    reads : tuple of str
        Datasets that the group reads if they exist, besides "curves" and "responses".
    """

    name: str
    uses: tuple[str, ...]
    make: Callable[[MetricInputs], GroupResult]
    reads: tuple[str, ...] = ()


def _numbers_only(numbers: Callable[[MetricInputs], Iterator[Number]]) -> Callable[[MetricInputs], GroupResult]:
    return lambda inputs: GroupResult(tuple(numbers(inputs)))


def _named(name: str, dataset: xr.Dataset | None) -> dict[str, xr.Dataset]:
    return {} if dataset is None else {name: dataset}


def _trends(inputs: MetricInputs) -> GroupResult:
    return GroupResult(tuple(trends.numbers(inputs)), _named("trends", trend_dataset.trend_dataset(inputs)))


def _peaks(inputs: MetricInputs) -> GroupResult:
    report = peaks.search(inputs)
    return GroupResult(tuple(peaks.numbers(inputs, report)), lists={"deviations": peaks.deviation_list(inputs, report)})


def _directivity(inputs: MetricInputs) -> GroupResult:
    """Return beam width, listening height, indices and sphere, which share a dataset."""
    beams, whole_sphere = beam_width.beam_widths(inputs), sphere.whole_sphere(inputs)
    numbers = (
        *beam_width.numbers(inputs, beams),
        *listening_height.numbers(inputs),
        *directivity_indices.numbers(inputs),
        *sphere.numbers(inputs, whole_sphere),
    )
    dataset = directivity_dataset.directivity_dataset(inputs, beams, whole_sphere)
    return GroupResult(numbers, _named("directivity", dataset))


def _aim(inputs: MetricInputs) -> GroupResult:
    best = aim.compare_aims(inputs)
    return GroupResult(tuple(aim.numbers(inputs, best)), _named("aim", aim.aim_dataset(inputs, best)))


def _timing(inputs: MetricInputs) -> GroupResult:
    on_axis = axis_timing.axis_timing(inputs)
    dataset = axis_timing.timing_dataset(inputs, on_axis)
    return GroupResult(tuple(timing.numbers(inputs, on_axis)), _named("timing", dataset))


def _impedance(inputs: MetricInputs) -> GroupResult:
    errors = impedance.errors_of(inputs)
    dataset = impedance.impedance_uncertainty_dataset(inputs, errors)
    return GroupResult(tuple(impedance.numbers(inputs, errors)), _named("impedance_uncertainty", dataset))


def _distortion(inputs: MetricInputs) -> GroupResult:
    return GroupResult(
        tuple(distortion.distortion_numbers(inputs)), lists={"distortion_peaks": distortion.peak_list(inputs)}
    )


_DIRECTIVITY_USES = (*beam_width.USES, *listening_height.USES, *directivity_indices.USES, *sphere.USES)

GROUPS = (
    Group("sensitivity", sensitivity.USES, _numbers_only(sensitivity.numbers), ("impedance",)),
    Group("frequency range", frequency_range.USES, _numbers_only(frequency_range.numbers)),
    Group("linearity", linearity.USES, _numbers_only(linearity.numbers)),
    Group("trends", trends.USES, _trends),
    Group("peaks and dips", peaks.USES, _peaks),
    Group("directivity", _DIRECTIVITY_USES, _directivity, ("sphere",)),
    Group("aim", aim.USES, _aim),
    Group("timing", timing.USES, _timing, ("axis",)),
    Group("preference", preference.USES, _numbers_only(preference.numbers)),
    Group("impedance", impedance.USES, _impedance, ("impedance",)),
    Group("distortion", distortion.USES, _distortion, ("distortion", "multitone", "harmonics")),
    Group("compression", compression.USES, _numbers_only(compression.compression_numbers), ("compression",)),
    Group(
        "usable limits",
        usable_limits.USES,
        _numbers_only(usable_limits.usable_numbers),
        ("compression", "harmonics", "distortion"),
    ),
)


def all_numbers(inputs: MetricInputs) -> GroupResult:
    """Return the results of all groups together.

    Raises
    ------
    ValueError
        If two numbers have the same id.
    """
    results = [group.make(inputs) for group in GROUPS]
    numbers = tuple(number for result in results for number in result.numbers)
    if len({number.id for number in numbers}) != len(numbers):
        raise ValueError("two numbers have the same id")
    return GroupResult(
        numbers,
        {name: dataset for result in results for name, dataset in result.datasets.items()},
        {name: entries for result in results for name, entries in result.lists.items()},
    )
