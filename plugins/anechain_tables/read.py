"""Read the tables of one device."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from anechain.assemble import Curve, Grid, assemble_responses, datasets_of_grid
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.assemble import without_repeats
from anechain.importing.file_labels import label_files
from anechain.importing.header_words import UNITS, words_of
from anechain.importing.report_lines import merge_notes
from anechain.importing.scales import SCALE_NOTES
from anechain_tables.long_tables import curves_of_long_table
from anechain_tables.options import ColumnKind, TablesOptions
from anechain_tables.sheet import Sheet
from anechain_tables.sheets import open_sheets
from anechain_tables.titles import columns_by_kind, is_long
from anechain_tables.wide_tables import curves_of_wide_table

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["read"]

HERE = "importer tables"
_UNIT_OPTIONS: dict[ColumnKind, str] = {
    "frequency": "frequency_unit",
    "level": "level_scale",
    "phase": "phase_unit",
}


def read(paths: Sequence[Path], options: TablesOptions) -> Reading:
    """Read the tables of one device.

    Parameters
    ----------
    paths : sequence of Path
        One file, or several with different directions.
    options : TablesOptions
        Layout, titles and units.

    Returns
    -------
    Reading
        `level_kind` is "spl" for pascals, "relative" for a linear scale, and not set for decibels, because a table does
        not state their reference. The sphere is set if the rows have azimuth and elevation and cover it.

    Raises
    ------
    InputError
        With every problem of every table.
    """
    if not paths:
        raise InputError.single(HERE, "no files", "at least one file", "correct the device's files in the campaign")
    _, files = label_files(paths)
    problems: list[Problem] = []
    curves: list[Curve] = []
    grids: list[Grid] = []
    notes: dict[str, list[str]] = {}
    for label, path in files.items():
        try:
            sheets = open_sheets(path, label, options)
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        for sheet in sheets:
            sheet_notes = notes[sheet.where] = list(sheet.notes)
            try:
                contents = _read_sheet(sheet, options, sheet_notes)
            except InputError as input_error:
                problems.extend(input_error.problems)
                continue
            if isinstance(contents, Grid):
                grids.append(contents)
            else:
                curves.extend(contents)
    if not problems and grids and (curves or len(grids) > 1):
        problems.append(
            Problem(
                HERE,
                "several tables, one of them with azimuth and elevation",
                "one table with all directions of the sphere",
                "join them",
            )
        )
    if problems:
        raise InputError(problems)
    report = merge_notes(notes)
    report.append(SCALE_NOTES[options.level_scale])
    sphere: xr.Dataset | None = None
    if grids:
        responses, sphere = datasets_of_grid(grids[0], options.step, options.max_gap, report, next(iter(files)))
    else:
        responses = assemble_responses(without_repeats(curves, report), report)
    if level_kind := {"pascal": "spl", "linear": "relative"}.get(options.level_scale):
        for dataset in (responses, sphere):
            if dataset is not None:
                dataset.attrs["level_kind"] = level_kind
    return Reading(responses, sphere, tuple(report))


def _read_sheet(sheet: Sheet, options: TablesOptions, notes: list[str]) -> list[Curve] | Grid:
    kinds = columns_by_kind(sheet, options)
    _check_units(sheet, kinds, options)
    if not len(sheet.rows):
        raise InputError.single(sheet.where, "no rows below the titles", "rows of numbers", "export the table again")
    if options.layout == "wide" or (options.layout == "auto" and not is_long(kinds)):
        return curves_of_wide_table(sheet, kinds["frequency"], options, notes)
    needed: tuple[ColumnKind, ...] = ("level", "angle")
    if "azimuth" in kinds or "elevation" in kinds:
        needed = ("level", "azimuth", "elevation")
    missing = [kind for kind in needed if kind not in kinds]
    if missing:
        raise InputError.single(
            sheet.where,
            f"no column is the {' or the '.join(missing)}",
            ", ".join(map(repr, sheet.titles[:20])),
            "set its title in the option `columns`",
        )
    left_out = [title for column, title in enumerate(sheet.titles) if column not in kinds.values()]
    if left_out:
        notes.append(f"columns left out: {', '.join(left_out)}")
    return curves_of_long_table(sheet, kinds, options, notes)


def _check_units(sheet: Sheet, kinds: dict[ColumnKind, int], options: TablesOptions) -> None:
    """Refuse a title whose unit contradicts the default of its option; an option that is set takes precedence."""
    for kind, option in _UNIT_OPTIONS.items():
        if kind not in kinds or option in options.model_fields_set:
            continue
        title = sheet.titles[kinds[kind]]
        units = words_of(title) & UNITS[kind].keys()
        if len(units) != 1:
            continue
        unit, used = UNITS[kind][units.pop()], getattr(options, option)
        if unit != used:
            raise InputError.single(
                sheet.where,
                f"the title {title!r} states the {kind} in {unit}, but the option `{option}` is {used}",
                "title and option in agreement",
                f"set the option `{option}` to {unit}; or to {used}, if the title is wrong",
            )
