"""Titles of a table: the kind of each column, and the directions that titles state."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError, Problem
from anechain.importing.direction_names import Direction, direction_of_title
from anechain.importing.header_words import NAMES, UNITS, words_of
from anechain_tables.sheet import Sheet
from anechain_tables.title_row import names_frequency

if TYPE_CHECKING:
    from anechain_tables.options import ColumnKind, TablesOptions

__all__ = [
    "WideColumns",
    "columns_by_kind",
    "direction_by_pattern",
    "is_long",
    "plane_of_sheet",
    "standard_direction",
    "wide_columns",
    "with_standard_planes",
]

_STANDARD_TITLE = re.compile(
    r"(?:(?P<plane>[^\W\d_]+)[ _:]*)?(?P<angle>[+\-\N{MINUS SIGN}]?[0-9]+(?:[.,][0-9]+)?)"
    r"[ ]*(?:\N{DEGREE SIGN}|\N{MASCULINE ORDINAL INDICATOR}|deg|degrees?)?(?:[ ]*[\[(][^\])]*[\])])?",
    re.IGNORECASE,
)
_LONG_TABLE_WORDS = {
    "level": NAMES["level"],
    "phase": NAMES["phase"],
    "plane": {"plane", "orbit"},
    "angle": {"angle"},
    "azimuth": {"azimuth", "az"},
    "elevation": {"elevation", "el"},
}


def standard_direction(title: str, planes: set[str]) -> tuple[str, float] | None:
    """Return the word for the plane (or "") and the angle of a title such as 10, -10°, H10, vertical -10 (dB).

    None if the title has another form, or an unknown word for the plane.
    """
    match = _STANDARD_TITLE.fullmatch(title.strip())
    if match is None:
        return None
    word = (match["plane"] or "").casefold()
    if word and word not in planes:
        return None
    return word, float(match["angle"].replace(",", ".").replace("\N{MINUS SIGN}", "-"))


def columns_by_kind(sheet: Sheet, options: TablesOptions) -> dict[ColumnKind, int]:
    """Return the column of each kind, according to the options or to the titles.

    Raises
    ------
    InputError
        If a title in the options does not exist, or if two columns may be the frequency, or none.
    """
    column_of: dict[ColumnKind, int] = {}
    problems: list[Problem] = []
    fix = "set its title in the option `columns`"
    for kind, title in options.columns.items():
        columns = [column for column, other in enumerate(sheet.titles) if other == title]
        if len(columns) != 1:
            problem = "appears more than once" if columns else "does not exist"
            titles = ", ".join(map(repr, sheet.titles[:20]))
            problems.append(Problem(sheet.where, f"the column {title!r} for the {kind} {problem}", titles, fix))
        else:
            column_of[kind] = columns[0]
    kinds: tuple[ColumnKind, ...] = ("frequency", "level", "phase", "plane", "angle", "azimuth", "elevation")
    for kind in kinds:
        if kind in options.columns:
            continue
        columns = [
            column
            for column, title in enumerate(sheet.titles)
            if column not in column_of.values() and title not in options.ignore and _is_kind(title, kind, options)
        ]
        if len(columns) > 1:
            names = " and ".join(repr(sheet.titles[column]) for column in columns[:3])
            # In a wide table several titles may contain "level"; only its frequency column is identified by name.
            if kind == "frequency":
                problems.append(Problem(sheet.where, f"columns {names} may all be the frequency", "one column", fix))
        elif columns:
            column_of[kind] = columns[0]
    if problems:
        raise InputError(problems)
    if "frequency" not in column_of:
        raise InputError.single(sheet.where, "no column is the frequency", ", ".join(map(repr, sheet.titles[:20])), fix)
    return column_of


def _is_kind(title: str, kind: ColumnKind, options: TablesOptions) -> bool:
    if kind == "frequency":
        return names_frequency(title)
    if standard_direction(title, set(options.planes)) is not None:
        return False
    words = words_of(title)
    if kind == "level" and not words & NAMES["phase"]:
        return bool(words & (NAMES["level"] | UNITS["level"].keys()))
    return bool(words & _LONG_TABLE_WORDS[kind])


def is_long(kinds: dict[ColumnKind, int]) -> bool:
    """Return whether the columns are those of a long table: a level, and an angle or azimuth and elevation."""
    return "level" in kinds and ("angle" in kinds or {"azimuth", "elevation"} <= kinds.keys())


def plane_of_sheet(sheet: Sheet, options: TablesOptions) -> str | None:
    """Return the plane that the options state for all directions of a table; None if they state none."""
    if isinstance(options.plane, dict):
        planes = options.plane
        return next((planes[name] for name in sheet.names if name in planes), None)
    return options.plane


@dataclass(frozen=True)
class WideColumns:
    """Directions of the columns of a wide table.

    Attributes
    ----------
    levels, phases : dict of int to Direction
        By column number.
    notes : tuple of str
        What was left out or changed, for the import report.
    """

    levels: dict[int, Direction]
    phases: dict[int, Direction]
    notes: tuple[str, ...]


def wide_columns(sheet: Sheet, frequency: int, options: TablesOptions) -> WideColumns:
    """Return the direction of every column of a wide table.

    Raises
    ------
    InputError
        With every column whose title states no direction, or no plane if the options state none.
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
                phases[column] = direction_by_pattern(title, sheet, options, options.phase_pattern)
            elif options.pattern is not None:
                levels[column] = direction_by_pattern(title, sheet, options, options.pattern)
            else:
                levels[column] = _standard(title, sheet, options)
        except InputError as input_error:
            problems.extend(input_error.problems)
    notes = [note for direction in (*levels.values(), *phases.values()) for note in direction.notes]
    if left_out:
        notes.append(f"columns left out according to the option `ignore`: {', '.join(left_out)}")
    if not levels and not problems:
        problems.append(Problem(sheet.where, "no column except the frequency", "a column for each direction"))
    if problems:
        raise InputError(problems)
    if options.pattern is None:
        read_as = [
            f"{sheet.titles[column]} = {direction.plane} {direction.angle:g}°" for column, direction in levels.items()
        ]
        notes.append(f"titles read as: {', '.join(read_as)}")
    return WideColumns(levels, phases, tuple(dict.fromkeys(notes)))


def direction_by_pattern(title: str, sheet: Sheet, options: TablesOptions, pattern: str) -> Direction:
    """Return the direction that a title states according to a pattern."""
    return direction_of_title(title, "column title", sheet.where, options.model_copy(update={"pattern": pattern}))


def _fits(title: str, sheet: Sheet, options: TablesOptions, pattern: str) -> bool:
    try:
        direction_by_pattern(title, sheet, options, pattern)
    except InputError:
        return False
    return True


def _standard(title: str, sheet: Sheet, options: TablesOptions) -> Direction:
    parsed = standard_direction(title, set(options.planes))
    if parsed is None:
        raise InputError.single(
            sheet.where,
            f"the column title {title!r} states no direction",
            "titles such as 10, -10°, H10 or vertical -10",
            "set the option `pattern`, or list the column in `ignore`",
        )
    word, angle = parsed
    plane = options.planes[word] if word else plane_of_sheet(sheet, options)
    if plane is None:
        raise InputError.single(
            sheet.where,
            f"the column title {title!r} states an angle but no plane",
            "horizontal or vertical",
            "set the option `plane`, for all directions or by sheet or file name",
        )
    # The pattern is used because it applies the option `positive_is` and the range of angles.
    return direction_by_pattern(f"{plane} {angle:g}", sheet, with_standard_planes(options), "{plane} {angle}")


def with_standard_planes(options: TablesOptions) -> TablesOptions:
    """Return the options with the words horizontal and vertical for the planes."""
    return options.model_copy(update={"planes": {"horizontal": "horizontal", "vertical": "vertical"}})
