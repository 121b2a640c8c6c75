"""What the page and the table say of the numbers that the stage before them made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.data.numbers import Number, format_uncertainty, format_with_bound, number_from_json
from anechain.figure_of_merit.peaks import q_text
from anechain.methods import methods
from anechain.receipts.canonical_json import parse_json
from anechain.running.plan import Plan

if TYPE_CHECKING:
    from anechain.campaign.file import Campaign
    from anechain.report.page import ComparedGroup, DeviationRow, NumberGroup, NumberRow

__all__ = ["compared_numbers", "deviation_rows", "number_choices", "number_groups", "numbers_of"]

KEY_NUMBERS = (
    "level.sensitivity",
    "level.characteristic",
    "range.lower_*",
    "range.in_room.lower_6",
    "linearity.listening_window.*.plus_minus",
    "trend.in_room.slope",
    "deviations.resonances",
    "beam.*.2000_8000",
    "directivity.sound_power_index.mean",
    "impedance.minimum",
    "distortion.at_*.under_3",
    "compression.level_change",
    "usable.loudest",
    "usable.listening",
)
"""Ids of the numbers that stand first; what of them there is depends on the campaign's choices."""

NEVER_ALONE = ("preference-estimate",)
"""Methods whose limits stand wherever their result does."""


def numbers_of(plan: Plan, device: str) -> tuple[list[Number], list[dict[str, Any]]]:
    """Numbers of a device, and its peaks and dips, as numbers.json holds them."""
    document = parse_json((plan.results / device / "numbers.json").read_text(encoding="utf-8"))
    numbers = [number_from_json(id_, document[id_]) for id_ in document["order"]]
    return numbers, list(document["deviations"])


def _headings(numbers: Iterable[Number]) -> dict[str, list[Number]]:
    groups: dict[str, list[Number]] = {}
    for one in numbers:
        groups.setdefault(one.heading, []).append(one)
    return groups


def _uncertainty(one: Number) -> str:
    width = _width(one)
    if not width:
        return one.uncertainty_reason
    gap = "\N{NO-BREAK SPACE}"
    return f"±{gap}{width}{gap}{one.unit}".rstrip() + f" (k{gap}={gap}{one.coverage_factor:g})"


def _width(one: Number) -> str:
    """Uncertainty of a number in print; empty if it has none."""
    if one.uncertainty is None or not isinstance(one.value, float):
        return ""
    return format_uncertainty(one.uncertainty, one.value, one.unit)


def number_groups(numbers: Sequence[Number]) -> tuple[NumberGroup, ...]:
    """Numbers of a device by heading, those that cannot be had apart with their reasons."""
    from anechain.report.page import NumberGroup

    groups = []
    for heading, group in _headings(numbers).items():
        ways = list(dict.fromkeys(one.propagation for one in group if _width(one) and one.propagation))
        marks = {way: ascii_lowercase[at] if len(ways) > 1 else "" for at, way in enumerate(ways)}
        groups.append(
            NumberGroup(
                heading,
                tuple(_row(one, marks.get(one.propagation, "")) for one in group if one.value is not None),
                tuple((one.title, one.reason) for one in group if one.value is None),
                tuple((mark, way) for way, mark in marks.items()),
            )
        )
    return tuple(groups)


def _row(one: Number, mark: str) -> NumberRow:
    from anechain.report.page import NumberRow

    made_by = f"{one.method}, {one.version}"
    return NumberRow(one.title, format_with_bound(one), one.unit, _uncertainty(one), made_by, one.note, mark)


def deviation_rows(deviations: Sequence[Mapping[str, Any]]) -> tuple[DeviationRow, ...]:
    """Peaks and dips of a device in print."""
    from anechain.report.page import DeviationRow

    return tuple(
        DeviationRow(
            centre=f"{format_hertz(one['centre_hz'])} Hz",
            extreme="" if one["extreme_hz"] is None else f"{format_hertz(one['extreme_hz'])} Hz",
            height=_height(one),
            width=f"{one['width_octaves']:.2f} octave",
            q=f"{one['q']:.2g}",
            of_q=q_text(one),
            curve=TITLES.get(one["curve"], one["curve"]),
            cause=one["cause"] + (f", {_orbit(one['plane'])}" if one["plane"] else ""),
            heard=f"{'reaches' if one['above_threshold'] else 'below'} {one['threshold_db']:.1f} dB",
            evidence=tuple(one["evidence"]),
        )
        for one in deviations
    )


def _height(one: Mapping[str, Any]) -> str:
    """Height in dB, with its expanded uncertainty where that is known."""
    words = f"{one['height_db']:+.1f}".replace("-", "\N{MINUS SIGN}")
    sure = one["height_uncertainty_db"]
    if sure is not None:
        words += f" \N{PLUS-MINUS SIGN} {sure:.1f}" if sure >= 0.05 else " \N{PLUS-MINUS SIGN} under 0.1"
    return f"{words} dB"


def _orbit(plane: str) -> str:
    return "both orbits" if plane == "both" else f"{plane} orbit"


def compared_numbers(devices: Sequence[Sequence[Number]]) -> tuple[ComparedGroup, ...]:
    """Numbers of several devices side by side, key numbers first; those that no device has are left out.

    Parameters
    ----------
    devices : sequence of sequence of Number
        By device.
    """
    from anechain.report.page import ComparedGroup

    if len(devices) < 2:
        return ()
    first = {one.id: one for numbers in reversed(devices) for one in numbers}
    order = dict.fromkeys(one.id for numbers in devices for one in numbers)
    by_device = [{one.id: one for one in numbers if one.value is not None} for numbers in devices]
    held = [first[id_] for id_ in order if any(id_ in numbers for numbers in by_device)]
    known = methods()

    def compared(heading: str, group: Sequence[Number], folded: bool) -> ComparedGroup:
        return ComparedGroup(
            heading,
            tuple((one.title, one.unit, tuple(_cell(numbers.get(one.id)) for numbers in by_device)) for one in group),
            " ".join(
                known[id_][max(known[id_])].limitations
                for id_ in NEVER_ALONE
                if any(one.method == id_ for one in group)
            ),
            folded,
        )

    first_of_all = [one for one in held if any(fnmatchcase(one.id, key) for key in KEY_NUMBERS)]
    groups = [compared(heading, group, True) for heading, group in _headings(held).items()]
    return (*([compared("Key numbers", first_of_all, False)] if first_of_all else []), *groups)


def _cell(one: Number | None) -> str:
    if one is None:
        return ""
    width = _width(one)
    return format_with_bound(one) + (f" ± {width}" if width else "")


def number_choices(campaign: Campaign) -> Iterator[tuple[str, str]]:
    """The choices in the numbers, a row for each."""
    for section, options in campaign.numbers.model_dump(mode="json").items():
        name = section.replace("_", " ")
        if section in ("own_trends", "targets"):
            for curve, one in options.items():
                yield f"{name}, {TITLES.get(curve, curve)}", _words(one)
            continue
        for key, value in options.items():
            yield f"{name}: {key.replace('_', ' ')}", _words(value)
    for device, one in campaign.devices.items():
        own = {key: value for key, value in one.numbers.model_dump(mode="json").items() if value}
        for key, value in own.items():
            yield f"{key.replace('_', ' ')} of {campaign.devices[device].title}", _words(value)


def _words(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        pairs = value and all(isinstance(one, list) for one in value)
        return "; ".join(map(_words, value)) if pairs else ", ".join(map(_words, value)) or "none"
    if isinstance(value, Mapping):
        return "; ".join(f"{key.replace('_', ' ')}: {_words(one)}" for key, one in value.items())
    return TITLES.get(str(value), str(value))
