"""The numbers of several devices as one table: results/numbers.csv."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from anechain.data.numbers import STORED_DIGITS, Mark, Number, rounded_uncertainty
from anechain.data.tables import csv_of_rows
from anechain.figure_of_merit.peaks import HEADING, q_text

__all__ = ["deviation_numbers", "number_rows", "numbers_csv"]

PEAKS = "deviations."
"""What the ids of all numbers of peaks and dips begin with."""

_COLUMNS = (
    "device",
    "device_title",
    "quantity",
    "heading",
    "title",
    "value",
    "unit",
    "bound",
    "uncertainty",
    "coverage_factor",
    "propagation",
    "uncertainty_reason",
    "method",
    "version",
    "source",
    "source_status",
    "note",
    "reason",
    "marks",
)


def numbers_csv(devices: Sequence[tuple[str, str, Iterable[Number]]]) -> bytes:
    """Write a table of the numbers of several devices, a line each.

    Parameters
    ----------
    devices : sequence of (str, str, iterable of Number)
        Id, name in print, numbers.

    Returns
    -------
    bytes
        UTF-8, comma separated, lines ending in a line feed; an empty cell where there is no value.
    """
    return csv_of_rows(
        _COLUMNS,
        (_row(device, title, one) for device, title, numbers in devices for one in numbers),
        STORED_DIGITS,
    )


def _row(device: str, device_title: str, one: Number) -> list[str | float | None]:
    return [
        device,
        device_title,
        one.id,
        one.heading,
        one.title,
        one.value,
        one.unit,
        one.bound,
        None if one.uncertainty is None else rounded_uncertainty(one.uncertainty),
        one.coverage_factor,
        one.propagation,
        one.uncertainty_reason,
        one.method,
        one.version,
        one.source,
        one.source_status,
        one.note,
        one.reason,
        "; ".join(map(_place, one.marks)),
    ]


def _place(mark: Mark) -> str:
    """A mark in words: "on_axis 300 to 3000 Hz", "on_axis 100 Hz at 81.5 dB"."""
    band = f"{mark.low_hz:.{STORED_DIGITS}g}"
    if mark.high_hz != mark.low_hz:
        band += f" to {mark.high_hz:.{STORED_DIGITS}g}"
    level = "" if mark.level_db is None else f" at {mark.level_db:.{STORED_DIGITS}g} dB".replace("-", "\N{MINUS SIGN}")
    return f"{mark.curve} {band} Hz{level}"


def number_rows(numbers: Sequence[Number], deviations: Sequence[Mapping[str, Any]]) -> list[Number]:
    """Numbers of a device with those of its peaks and dips, which follow after their count.

    Parameters
    ----------
    numbers : sequence of Number
    deviations : sequence of mapping
        The member `deviations` of numbers.json.
    """
    at = max((place for place, one in enumerate(numbers, 1) if one.id.startswith(PEAKS)), default=len(numbers))
    return [*numbers[:at], *deviation_numbers(deviations), *numbers[at:]]


def deviation_numbers(deviations: Sequence[Mapping[str, Any]]) -> Iterator[Number]:
    """What is known of each peak and dip as numbers: `deviations.1.centre` and so on.

    Parameters
    ----------
    deviations : sequence of mapping
        The member `deviations` of numbers.json; they are numbered in its order.
    """
    for place, one in enumerate(deviations, 1):
        name = f"{'Peak' if one['height_db'] > 0 else 'Dip'} {place}"
        seen = f"{one['shape']}; found in: {', '.join(one['in_curves'])}"
        extreme = seen
        if one["extreme_hz"] is not None:
            most = "highest" if one["height_db"] > 0 else "lowest"
            extreme = f"the curve is {most} at {one['extreme_hz']:.4g} Hz; {seen}"
        of_q = f"{q_text(one)}; {seen}"
        evidence = f"evidence: {'; '.join(one['evidence'])}"
        reached = "reached" if one["above_threshold"] else "not reached"
        no_plane = "it is no matter of direction" if one["cause"] == "resonance" else "is not determined"
        for key, title, value, unit, note in (
            ("centre", "centre", one["centre_hz"], "Hz", extreme),
            ("height", "height", one["height_db"], "dB", seen),
            ("width", "width", one["width_octaves"], "octaves", seen),
            ("q", "Q", one["q"], "", of_q),
            ("threshold", "height from which it is heard", one["threshold_db"], "dB", f"{reached}; {seen}"),
            ("cause", "cause", one["cause"], "", evidence),
            ("plane", "orbit over which it varies", one["plane"], "", evidence),
        ):
            told = value is not None
            of_height = told and key == "height"
            sure = one["height_uncertainty_db"] if of_height else None
            yield Number(
                id=f"{PEAKS}{place}.{key}",
                heading=HEADING,
                title=f"{name}: {title}",
                value=value,
                unit=unit,
                uncertainty=sure,
                coverage_factor=one["height_coverage_factor"] if sure is not None else None,
                propagation=one["height_propagation"] if sure is not None else "",
                uncertainty_reason=(
                    one["height_uncertainty_reason"] if of_height else one["uncertainty_reason"] if told else ""
                ),
                method=one["method"],
                version=one["version"],
                source=one["source"],
                source_status=one["source_status"],
                note=note,
                reason="" if told else no_plane,
                marks=tuple(Mark(**mark) for mark in one["marks"]),
            )
