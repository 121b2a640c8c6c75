"""Numbers as printed on the page: by device, side by side for all devices, and the options they depend on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.data.numbers import Number, format_interval, format_uncertainty, format_with_bound, number_from_json
from anechain.figure_of_merit.peaks import q_text
from anechain.methods import methods
from anechain.receipts.canonical_json import parse_json
from anechain.report.table_rows import ComparisonGroup, DeviationRow, NumberGroup, NumberRow
from anechain.running.plan import Plan

if TYPE_CHECKING:
    from anechain.campaign.file import Campaign

__all__ = ["compared_numbers", "deviation_rows", "number_groups", "number_options", "read_numbers"]

KEY_NUMBERS = (
    "level.sensitivity",
    "level.characteristic",
    "range.lower_*",
    "range.in_room.lower_6",
    "linearity.listening_window.*.plus_minus",
    "trend.in_room.slope",
    "own_trend.in_room.slope",
    "deviations.resonances",
    "beam.*.2000_8000",
    "directivity.sound_power_index.mean",
    "impedance.minimum",
    "distortion.at_*.under_3",
    "compression.level_change",
    "usable.loudest",
    "usable.listening",
)
"""Ids of the numbers that the comparison lists first; the campaign's options decide which of them exist."""

AT_SHARED_LEVELS = "distortion.at_*"
"""Key numbers at a level, listed only if several devices reach it."""

SHOWN_WITH_LIMITATIONS = ("preference-estimate",)
"""Methods whose limitations are printed wherever a result of them is."""


def read_numbers(plan: Plan, device: str) -> tuple[list[Number], list[dict[str, Any]]]:
    """Read the numbers of a device, and its peaks and dips, from numbers.json."""
    document = parse_json((plan.results / device / "numbers.json").read_text(encoding="utf-8"))
    numbers = [number_from_json(id_, document[id_]) for id_ in document["order"]]
    return numbers, list(document["deviations"])


def _by_heading(numbers: Iterable[Number]) -> dict[str, list[Number]]:
    groups: dict[str, list[Number]] = {}
    for number in numbers:
        groups.setdefault(number.heading, []).append(number)
    return groups


def _uncertainty(number: Number) -> str:
    """Return the uncertainty with unit and coverage factor or the interval, or the reason why there is none."""
    if number.interval is not None:
        return f"95 %: {format_interval(number.interval, number.unit)} {number.unit}".rstrip()
    size = _uncertainty_size(number)
    if not size:
        return number.uncertainty_reason
    space = "\N{NO-BREAK SPACE}"
    return f"±{space}{size}{space}{number.unit}".rstrip() + f" (k{space}={space}{number.coverage_factor:g})"


def _uncertainty_size(number: Number) -> str:
    """Return the uncertainty without its unit; empty if there is none."""
    if number.uncertainty is None or not isinstance(number.value, float):
        return ""
    return format_uncertainty(number.uncertainty, number.value, number.unit)


def number_groups(numbers: Sequence[Number]) -> tuple[NumberGroup, ...]:
    """Return the numbers of a device by heading, and the gaps with their reasons."""
    groups = []
    for heading, group in _by_heading(numbers).items():
        printed = [number.propagation for number in group if number.propagation]
        propagations = list(dict.fromkeys(printed))
        footnotes = {
            propagation: ascii_lowercase[index] if len(propagations) > 1 else ""
            for index, propagation in enumerate(propagations)
        }
        groups.append(
            NumberGroup(
                heading,
                tuple(_row(number, footnotes.get(number.propagation, "")) for number in group if not _is_gap(number)),
                _gaps(group),
                tuple((footnote, propagation) for propagation, footnote in footnotes.items()),
            )
        )
    return tuple(groups)


def _gaps(group: Sequence[Number]) -> tuple[tuple[str, str], ...]:
    """Return title and reason of each gap of a group; one line if nothing is known, for one reason."""
    gaps = [(number.title, number.reason) for number in group if _is_gap(number)]
    reasons = {reason for _, reason in gaps}
    if len(gaps) == len(group) > 1 and len(reasons) == 1:
        return ((f"All {len(gaps)} numbers", reasons.pop()),)
    return tuple(gaps)


def _is_gap(number: Number) -> bool:
    return number.value is None


def _row(number: Number, footnote: str) -> NumberRow:
    return NumberRow(
        title=number.title,
        value=format_with_bound(number),
        unit=number.unit,
        uncertainty=_uncertainty(number),
        method=f"{number.method}, {number.version}",
        note=number.note,
        footnote=footnote,
    )


def deviation_rows(deviations: Sequence[Mapping[str, Any]]) -> tuple[DeviationRow, ...]:
    """Return the peaks and dips of a device, entries of the list `deviations` in numbers.json, as printed."""
    return tuple(
        DeviationRow(
            centre=f"{format_hertz(deviation['centre_hz'])} Hz",
            extreme="" if deviation["extreme_hz"] is None else f"{format_hertz(deviation['extreme_hz'])} Hz",
            height=_height(deviation),
            width=f"{deviation['width_octaves']:.2f} octave",
            q=f"{deviation['q']:.2g}",
            q_kind=q_text(deviation),
            curve=TITLES.get(deviation["curve"], deviation["curve"]),
            radiates=deviation["radiates"] + (f", {_orbits(deviation['plane'])}" if deviation["plane"] else ""),
            probable_cause=deviation["cause"],
            audibility=f"{'reached' if deviation['above_threshold'] else 'not reached'}: "
            f"{deviation['threshold_db']:.1f} dB",
            evidence=tuple(deviation["evidence"]),
        )
        for deviation in deviations
    )


def _height(deviation: Mapping[str, Any]) -> str:
    """Return the height in dB, with its expanded uncertainty if that is known."""
    text = f"{deviation['height_db']:+.1f}".replace("-", "\N{MINUS SIGN}")
    uncertainty = deviation["height_uncertainty_db"]
    if uncertainty is not None:
        size = f"{uncertainty:.1f}" if uncertainty >= 0.05 else "under 0.1"
        text += f" \N{PLUS-MINUS SIGN} {size}"
    return f"{text} dB"


def _orbits(plane: str) -> str:
    return "both orbits" if plane == "both" else f"{plane} orbit"


def compared_numbers(devices: Sequence[Sequence[Number]]) -> tuple[ComparisonGroup, ...]:
    """Return the numbers of several devices by heading, key numbers first, without those that no device has.

    Parameters
    ----------
    devices : sequence of sequence of Number
        The numbers of each device.

    Returns
    -------
    tuple of ComparisonGroup
        Empty with fewer than two devices.
    """
    if len(devices) < 2:
        return ()
    # The title and unit of a number are those of the first device that lists it.
    first = {number.id: number for numbers in reversed(devices) for number in numbers}
    order = dict.fromkeys(number.id for numbers in devices for number in numbers)
    by_device = [{number.id: number for number in numbers if not _is_gap(number)} for numbers in devices]
    present = [first[id_] for id_ in order if any(id_ in numbers for numbers in by_device)]
    key_numbers = [
        number
        for number in present
        if any(fnmatchcase(number.id, key) for key in KEY_NUMBERS)
        and (not fnmatchcase(number.id, AT_SHARED_LEVELS) or sum(number.id in numbers for numbers in by_device) > 1)
    ]
    groups = [_comparison_group(heading, group, by_device) for heading, group in _by_heading(present).items()]
    if key_numbers:
        groups.insert(0, _comparison_group("Key numbers", key_numbers, by_device, collapsed=False))
    return tuple(groups)


def _comparison_group(
    heading: str, group: Sequence[Number], by_device: Sequence[Mapping[str, Number]], *, collapsed: bool = True
) -> ComparisonGroup:
    known = methods()
    limited = [id_ for id_ in SHOWN_WITH_LIMITATIONS if any(number.method == id_ for number in group)]
    return ComparisonGroup(
        heading,
        tuple(
            (number.title, number.unit, tuple(_cell(numbers.get(number.id)) for numbers in by_device))
            for number in group
        ),
        " ".join(known[id_][max(known[id_])].limitations for id_ in limited),
        collapsed,
    )


def _cell(number: Number | None) -> str:
    if number is None:
        return ""
    if number.interval is not None:
        return f"{format_with_bound(number)} ({format_interval(number.interval, number.unit)})"
    size = _uncertainty_size(number)
    return format_with_bound(number) + (f" ± {size}" if size else "")


def number_options(campaign: Campaign) -> Iterator[tuple[str, str]]:
    """Yield the name and value of each option of the numbers, for the campaign and for single devices."""
    for section, options in campaign.numbers.model_dump(mode="json").items():
        name = section.replace("_", " ")
        if section in ("own_trends", "targets"):
            for curve, option in options.items():
                yield f"{name}, {TITLES.get(curve, curve)}", _text(option)
            continue
        for key, value in options.items():
            yield f"{name}: {key.replace('_', ' ')}", _text(value)
    for device in campaign.devices.values():
        for key, value in device.numbers.model_dump(mode="json").items():
            if value:
                yield f"{key.replace('_', ' ')} of {device.title}", _text(value)


def _text(value: Any) -> str:
    """Return the value of an option as printed."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        pairs = value and all(isinstance(item, list) for item in value)
        return "; ".join(map(_text, value)) if pairs else ", ".join(map(_text, value)) or "none"
    if isinstance(value, Mapping):
        return "; ".join(f"{key.replace('_', ' ')}: {_text(item)}" for key, item in value.items())
    return TITLES.get(str(value), str(value))
