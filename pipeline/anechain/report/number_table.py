"""The table of the numbers of all devices: results/numbers.csv."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from anechain.data.numbers import STORED_DIGITS, Mark, Number, rounded_uncertainty
from anechain.data.tables import csv_of_rows
from anechain.figure_of_merit.peaks import HEADING, q_text

__all__ = ["deviation_numbers", "number_rows", "numbers_csv"]

DEVIATION_PREFIX = "deviations."
"""Beginning of the ids of all numbers of peaks and dips."""

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
    "interval_low",
    "interval_high",
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
    """Write the table of numbers, one row per number.

    Parameters
    ----------
    devices : sequence of (str, str, iterable of Number)
        Id, title and numbers of each device.

    Returns
    -------
    bytes
        CSV in UTF-8: separated by commas, rows end with a line feed; a cell without a value is empty.
    """
    return csv_of_rows(
        _COLUMNS,
        (_row(device, title, number) for device, title, numbers in devices for number in numbers),
        STORED_DIGITS,
    )


def _row(device: str, device_title: str, number: Number) -> list[str | float | None]:
    return [
        device,
        device_title,
        number.id,
        number.heading,
        number.title,
        number.value,
        number.unit,
        number.bound,
        None if number.uncertainty is None else rounded_uncertainty(number.uncertainty),
        number.coverage_factor,
        *(number.interval or (None, None)),
        number.propagation,
        number.uncertainty_reason,
        number.method,
        number.version,
        number.source,
        number.source_status,
        number.note,
        number.reason,
        "; ".join(map(_mark_text, number.marks)),
    ]


def _mark_text(mark: Mark) -> str:
    """Return a mark as text: "on_axis 300 to 3000 Hz", "on_axis 100 Hz at 81.5 dB"."""
    band = f"{mark.low_hz:.{STORED_DIGITS}g}"
    if mark.high_hz != mark.low_hz:
        band += f" to {mark.high_hz:.{STORED_DIGITS}g}"
    level = "" if mark.level_db is None else f" at {mark.level_db:.{STORED_DIGITS}g} dB".replace("-", "\N{MINUS SIGN}")
    return f"{mark.curve} {band} Hz{level}"


def number_rows(numbers: Sequence[Number], deviations: Sequence[Mapping[str, Any]]) -> list[Number]:
    """Return the numbers of a device with the properties of its peaks and dips inserted after their count.

    Parameters
    ----------
    numbers : sequence of Number
        Numbers of the device.
    deviations : sequence of mapping
        The member `deviations` of numbers.json.
    """
    counts = (index for index, number in enumerate(numbers, 1) if number.id.startswith(DEVIATION_PREFIX))
    end = max(counts, default=len(numbers))
    return [*numbers[:end], *deviation_numbers(deviations), *numbers[end:]]


def deviation_numbers(deviations: Sequence[Mapping[str, Any]]) -> Iterator[Number]:
    """Yield the properties of each peak and dip as numbers: `deviations.1.centre` and so on.

    Parameters
    ----------
    deviations : sequence of mapping
        The member `deviations` of numbers.json; its order determines their numbers.
    """
    for index, deviation in enumerate(deviations, 1):
        is_peak = deviation["height_db"] > 0
        name = f"{'Peak' if is_peak else 'Dip'} {index}"
        shape = f"{deviation['shape']}; in curves: {', '.join(deviation['in_curves'])}"
        extreme = shape
        if deviation["extreme_hz"] is not None:
            kind = "maximum" if is_peak else "minimum"
            extreme = f"{kind} of the curve at {deviation['extreme_hz']:.4g} Hz; {shape}"
        evidence = f"evidence: {'; '.join(deviation['evidence'])}"
        reached = "reached" if deviation["above_threshold"] else "not reached"
        alike = deviation["radiates"] == "alike in all directions"
        no_plane = "it is alike in all directions" if alike else "not determined"
        for key, title, value, unit, note in (
            ("centre", "centre", deviation["centre_hz"], "Hz", extreme),
            ("height", "height", deviation["height_db"], "dB", shape),
            ("width", "width", deviation["width_octaves"], "octaves", shape),
            ("q", "Q", deviation["q"], "", f"{q_text(deviation)}; {shape}"),
            ("threshold", "audibility threshold", deviation["threshold_db"], "dB", f"{reached}; {shape}"),
            ("cause", "probable cause", deviation["cause"], "", evidence),
            ("radiates", "how it radiates", deviation["radiates"], "", evidence),
            ("plane", "orbit over which it changes", deviation["plane"], "", evidence),
        ):
            uncertainty = coverage_factor = None
            propagation = uncertainty_reason = ""
            if value is not None and key != "height":
                uncertainty_reason = deviation["uncertainty_reason"]
            elif key == "height":
                uncertainty_reason = deviation["height_uncertainty_reason"]
                uncertainty = deviation["height_uncertainty_db"]
                if uncertainty is not None:
                    coverage_factor = deviation["height_coverage_factor"]
                    propagation = deviation["height_propagation"]
            yield Number(
                id=f"{DEVIATION_PREFIX}{index}.{key}",
                heading=HEADING,
                title=f"{name}: {title}",
                value=value,
                unit=unit,
                uncertainty=uncertainty,
                coverage_factor=coverage_factor,
                propagation=propagation,
                uncertainty_reason=uncertainty_reason,
                method=deviation["method"],
                version=deviation["version"],
                source=deviation["source"],
                source_status=deviation["source_status"],
                note=note,
                reason=no_plane if value is None else "",
                marks=tuple(Mark(**mark) for mark in deviation["marks"]),
            )
