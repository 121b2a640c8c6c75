"""Understand the titles of a table: which column is what, and which direction a title gives."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError, Problem
from anechain.importing.direction_names import Direction, direction_of_title
from anechain.importing.header_words import NAMES, UNITS, words_of
from anechain_tables.sheets import Sheet, names_frequency

if TYPE_CHECKING:
    from anechain_tables.options import ColumnKind, TablesOptions

__all__ = [
    "Wide",
    "by_pattern",
    "is_long",
    "kinds_of",
    "plain_direction",
    "plane_of",
    "wide_columns",
    "with_plain_words",
]

_PLAIN = re.compile(
    r"(?:(?P<plane>[^\W\d_]+)[ _:]*)?(?P<angle>[+\-\N{MINUS SIGN}]?[0-9]+(?:[.,][0-9]+)?)"
    r"[ ]*(?:\N{DEGREE SIGN}|\N{MASCULINE ORDINAL INDICATOR}|deg|degrees?)?(?:[ ]*[\[(][^\])]*[\])])?",
    re.IGNORECASE,
)
_LONG = {
    "level": NAMES["level"],
    "phase": NAMES["phase"],
    "plane": {"plane", "orbit"},
    "angle": {"angle"},
    "azimuth": {"azimuth", "az"},
    "elevation": {"elevation", "el"},
}


def plain_direction(title: str, planes: set[str]) -> tuple[str, float] | None:
    """Word for the plane (empty if none) and angle of a title such as 10, -10°, H10, vertical -10 (dB)."""
    found = _PLAIN.fullmatch(title.strip())
    if found is None:
        return None
    word = (found["plane"] or "").casefold()
    if word and word not in planes:
        return None
    return word, float(found["angle"].replace(",", ".").replace("\N{MINUS SIGN}", "-"))


def kinds_of(sheet: Sheet, options: TablesOptions) -> dict[ColumnKind, int]:
    """Columns known by their names, or named in the options.

    Raises
    ------
    InputError
        If a title named in the options is not there, or two columns look like one kind.
    """
    found: dict[ColumnKind, int] = {}
    problems: list[Problem] = []
    fix = "say by the option `columns` which one it is"
    for kind, title in options.columns.items():
        at = [column for column, one in enumerate(sheet.titles) if one == title]
        if len(at) != 1:
            times = "twice or more" if at else "not at all"
            allowed = ", ".join(map(repr, sheet.titles[:20]))
            problems.append(Problem(sheet.where, f"the column {title!r} for the {kind} is there {times}", allowed, fix))
        else:
            found[kind] = at[0]
    kinds: tuple[ColumnKind, ...] = ("frequency", "level", "phase", "plane", "angle", "azimuth", "elevation")
    for kind in kinds:
        if kind in options.columns:
            continue
        at = [
            column
            for column, title in enumerate(sheet.titles)
            if column not in found.values() and title not in options.ignore and _is_kind(title, kind, options)
        ]
        if len(at) > 1:
            names = " and ".join(repr(sheet.titles[column]) for column in at[:3])
            # In a wide table several columns may be called level; only the frequency is read there by its name.
            if kind == "frequency":
                problems.append(Problem(sheet.where, f"columns {names} all look like the frequency", "one", fix))
        elif at:
            found[kind] = at[0]
    if problems:
        raise InputError(problems)
    if "frequency" not in found:
        raise InputError.single(sheet.where, "no column is the frequency", ", ".join(map(repr, sheet.titles[:20])), fix)
    return found


def _is_kind(title: str, kind: ColumnKind, options: TablesOptions) -> bool:
    if kind == "frequency":
        return names_frequency(title)
    if plain_direction(title, set(options.planes)) is not None:
        return False
    words = words_of(title)
    if kind == "level" and not words & NAMES["phase"]:
        return bool(words & (NAMES["level"] | UNITS["level"].keys()))
    return bool(words & _LONG[kind])


def is_long(kinds: dict[ColumnKind, int]) -> bool:
    """Whether known columns make a long table: a level, and an angle or azimuth and elevation, in each row."""
    return "level" in kinds and ("angle" in kinds or {"azimuth", "elevation"} <= kinds.keys())


def plane_of(sheet: Sheet, options: TablesOptions) -> str | None:
    """Plane that the options give a table's directions; None if they do not."""
    if isinstance(options.plane, dict):
        given = options.plane
        return next((given[name] for name in sheet.names if name in given), None)
    return options.plane


@dataclass(frozen=True)
class Wide:
    """Columns of a wide table.

    Attributes
    ----------
    levels, phases : dict of int to Direction
        By column.
    notes : tuple of str
        What was left out or turned round.
    """

    levels: dict[int, Direction]
    phases: dict[int, Direction]
    notes: tuple[str, ...]


def wide_columns(sheet: Sheet, frequency: int, options: TablesOptions) -> Wide:
    """Direction of every column of a wide table.

    Raises
    ------
    InputError
        Naming every column whose title gives no direction, or no plane where none is declared.
    """
    levels: dict[int, Direction] = {}
    phases: dict[int, Direction] = {}
    problems: list[Problem] = []
    left_out = [title for title in sheet.titles if title in options.ignore]
    for column, title in enumerate(sheet.titles):
        if column == frequency or title in options.ignore:
            continue
        try:
            if options.phase_pattern is not None and _fits(title, sheet, options, options.phase_pattern):
                phases[column] = by_pattern(title, sheet, options, options.phase_pattern)
            elif options.pattern is not None:
                levels[column] = by_pattern(title, sheet, options, options.pattern)
            else:
                levels[column] = _plain(title, sheet, options)
        except InputError as input_error:
            problems.extend(input_error.problems)
    notes = [note for one in (*levels.values(), *phases.values()) for note in one.notes]
    if left_out:
        notes.append(f"columns left out, as the option `ignore` says: {', '.join(left_out)}")
    if not levels and not problems:
        problems.append(Problem(sheet.where, "no column besides the frequency", "a column for each direction"))
    if problems:
        raise InputError(problems)
    if options.pattern is None:
        read_as = [f"{sheet.titles[column]} = {one.plane} {one.angle:g}°" for column, one in levels.items()]
        notes.append(f"titles read as: {', '.join(read_as)}")
    return Wide(levels, phases, tuple(dict.fromkeys(notes)))


def by_pattern(title: str, sheet: Sheet, options: TablesOptions, pattern: str) -> Direction:
    """Direction that a title gives by a pattern of its own."""
    return direction_of_title(title, "column title", sheet.where, options.model_copy(update={"pattern": pattern}))


def _fits(title: str, sheet: Sheet, options: TablesOptions, pattern: str) -> bool:
    try:
        by_pattern(title, sheet, options, pattern)
    except InputError:
        return False
    return True


def _plain(title: str, sheet: Sheet, options: TablesOptions) -> Direction:
    found = plain_direction(title, set(options.planes))
    if found is None:
        raise InputError.single(
            sheet.where,
            f"the column title {title!r} gives no direction",
            "titles such as 10, -10°, H10 or vertical -10",
            "give the option `pattern`, or name the column in `ignore`",
        )
    word, angle = found
    plane = options.planes[word] if word else plane_of(sheet, options)
    if plane is None:
        raise InputError.single(
            sheet.where,
            f"the column title {title!r} gives an angle but no plane",
            "horizontal or vertical",
            "give the option `plane`, for all or by sheet or file name",
        )
    # Which way positive angles go, and the range of angles, are the pattern's business: it does both.
    return by_pattern(f"{plane} {angle:g}", sheet, with_plain_words(options), "{plane} {angle}")


def with_plain_words(options: TablesOptions) -> TablesOptions:
    """Options whose planes are called horizontal and vertical."""
    return options.model_copy(update={"planes": {"horizontal": "horizontal", "vertical": "vertical"}})
