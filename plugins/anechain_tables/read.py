"""Read the tables of one device and put their directions together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.directivity.directions import unit_vectors
from anechain.arrays import Floats
from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.assemble import without_repeats
from anechain.importing.direction_names import Direction
from anechain.importing.file_labels import labelled
from anechain.importing.frames import declared_frame
from anechain.importing.grids import Grid, datasets_of_grid
from anechain.importing.header_words import UNITS, words_of
from anechain.importing.report_lines import gathered_notes
from anechain.importing.scales import SCALE_NOTES, level_from_scale, refuse_missing
from anechain_tables.options import ColumnKind, TablesOptions
from anechain_tables.sheets import Sheet, open_sheets
from anechain_tables.titles import by_pattern, is_long, kinds_of, plane_of, wide_columns, with_plain_words

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["read"]


HERE = "importer tables"
_UNIT_OPTIONS = {"frequency": "frequency_unit", "level": "level_scale", "phase": "phase_unit"}


def read(paths: Sequence[Path], options: TablesOptions) -> Reading:
    """Read the tables of one device.

    Parameters
    ----------
    paths : sequence of Path
        One file or several, which hold different directions.
    options : TablesOptions
        How they are laid out.

    Returns
    -------
    Reading
        `level_kind` is "spl" for pascals, "relative" for a linear scale and not set for decibels, since a table does
        not say what they refer to. The sphere where rows give azimuth and elevation of a whole one.

    Raises
    ------
    InputError
        With every problem found in every table.
    """
    if not paths:
        raise InputError.single(HERE, "no files", "at least one file", "correct the device's files in the campaign")
    _, files = labelled(paths)
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
            said = notes[sheet.where] = list(sheet.notes)
            try:
                found = _contents(sheet, options, said)
                if isinstance(found, Grid):
                    grids.append(found)
                else:
                    curves.extend(found)
            except InputError as input_error:
                problems.extend(input_error.problems)
    if not problems and grids and (curves or len(grids) > 1):
        problems.append(
            Problem(
                HERE,
                "several tables, one of them with azimuth and elevation",
                "one table for a whole field",
                "join them",
            )
        )
    if problems:
        raise InputError(problems)
    report = gathered_notes(notes)
    report.append(SCALE_NOTES[options.level_scale])
    sphere: xr.Dataset | None = None
    if grids:
        responses, sphere = datasets_of_grid(grids[0], options.step, options.max_gap, report, next(iter(files)))
    else:
        responses = assemble_responses(without_repeats(curves, report), report)
    if kind := {"pascal": "spl", "linear": "relative"}.get(options.level_scale):
        for dataset in (responses, sphere):
            if dataset is not None:
                dataset.attrs["level_kind"] = kind
    return Reading(responses, sphere, tuple(report))


def _contents(sheet: Sheet, options: TablesOptions, notes: list[str]) -> list[Curve] | Grid:
    kinds = kinds_of(sheet, options)
    _check_units(sheet, {kind: sheet.titles[column] for kind, column in kinds.items()}, options)
    if not len(sheet.rows):
        raise InputError.single(sheet.where, "no rows below the titles", "rows of numbers", "export the table again")
    if options.layout == "wide" or (options.layout == "auto" and not is_long(kinds)):
        return _of_wide(sheet, kinds["frequency"], options, notes)
    lacking = [kind for kind in ("level",) if kind not in kinds]
    if "azimuth" in kinds or "elevation" in kinds:
        lacking += [kind for kind in ("azimuth", "elevation") if kind not in kinds]
    elif "angle" not in kinds:
        lacking.append("angle")
    if lacking:
        raise InputError.single(
            sheet.where,
            f"no column is the {' or the '.join(lacking)}",
            ", ".join(map(repr, sheet.titles[:20])),
            "say by the option `columns` which one it is",
        )
    left_out = [title for column, title in enumerate(sheet.titles) if column not in kinds.values()]
    if left_out:
        notes.append(f"columns left out: {', '.join(left_out)}")
    return _of_long(sheet, kinds, options, notes)


def _check_units(sheet: Sheet, titles: dict[ColumnKind, str], options: TablesOptions) -> None:
    """Refuse a title whose unit is another than the option's default; an option that was set is believed."""
    for kind, option in _UNIT_OPTIONS.items():
        title = titles.get(kind)  # type: ignore[call-overload] # the three kinds are among the seven
        given = set() if title is None else words_of(title) & UNITS[kind].keys()
        if len(given) != 1 or option in options.model_fields_set:
            continue
        unit, used = UNITS[kind][given.pop()], getattr(options, option)
        if unit != used:
            raise InputError.single(
                sheet.where,
                f"the title {title!r} gives the {kind} in {unit}, but the option `{option}` is {used}",
                "title and options in agreement",
                f"set the option `{option}` to {unit}; or to {used}, if the title is wrong",
            )


def _frequencies(sheet: Sheet, column: int, options: TablesOptions) -> Floats:
    values = sheet.numbers(column) * (1000.0 if options.frequency_unit == "kilohertz" else 1.0)
    empty = np.isnan(values)
    if empty.any() or (values < 0).any():
        row = int(np.argmax(empty | (values < 0)))
        found = "is empty" if empty[row] else f"is {values[row]:g} Hz"
        raise InputError.single(
            sheet.where, f"{sheet.place(row)}: the frequency {found}", "0 Hz or above in each row", "export it again"
        )
    return values


def _refuse_fall(sheet: Sheet, frequency: Floats, rows: NDArray[np.intp], whose: str) -> None:
    falls = np.diff(frequency) <= 0
    if falls.any():
        at = int(np.argmax(falls))
        raise InputError.single(
            sheet.where,
            f"{sheet.place(int(rows[at + 1]))}: frequency{whose} {frequency[at + 1]:g} Hz after {frequency[at]:g} Hz",
            "frequencies that rise, each once",
            "sort the rows, and remove what is there twice",
        )


def _phases(sheet: Sheet, column: int, options: TablesOptions) -> Floats:
    phase = sheet.numbers(column)
    return np.asarray(np.rad2deg(phase) if options.phase_unit == "radian" else phase)


def _gaps(notes: list[str], kind: str, title: str, frequency: Floats, values: Floats) -> None:
    gaps = np.isnan(values)
    if gaps.any():
        listed = ", ".join(f"{value:g}" for value in frequency[gaps][:6])
        more = f" and {int(gaps.sum()) - 6} more" if gaps.sum() > 6 else ""
        notes.append(f"{kind} of {title} missing at {listed}{more} Hz: kept as not measured")


def _of_wide(sheet: Sheet, frequency_column: int, options: TablesOptions, notes: list[str]) -> list[Curve]:
    wide = wide_columns(sheet, frequency_column, options)
    notes.extend(wide.notes)
    frequency = _frequencies(sheet, frequency_column, options)
    _refuse_fall(sheet, frequency, np.arange(frequency.size), "")
    first = _first_above_zero(frequency, notes, sheet)
    by_direction = {(one.plane, one.angle): column for column, one in wide.phases.items()}
    curves: list[Curve] = []
    problems: list[Problem] = []
    for column, direction in wide.levels.items():
        title = sheet.titles[column]
        try:
            level = level_from_scale(sheet.numbers(column), options.level_scale, repr(title), sheet.where)[first:]
            refuse_missing(level, "level", f"column {title!r}", sheet.where, options.missing == "keep")
            phase = None
            if (beside := by_direction.pop((direction.plane, direction.angle), None)) is not None:
                phase = _phases(sheet, beside, options)[first:]
                refuse_missing(
                    phase, "phase", f"column {sheet.titles[beside]!r}", sheet.where, options.missing == "keep"
                )
                _gaps(notes, "phase", repr(title), frequency[first:], phase)
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        _gaps(notes, "level", repr(title), frequency[first:], level)
        source = f"{sheet.where}, column {title!r}"
        curves.append(Curve(direction.plane, direction.angle, frequency[first:], level, phase, source))
    problems.extend(
        Problem(sheet.where, f"column {sheet.titles[column]!r} is a phase without its level", "a level for each phase")
        for column in by_direction.values()
    )
    if problems:
        raise InputError(problems)
    return curves


def _first_above_zero(frequency: Floats, notes: list[str], sheet: Sheet) -> int:
    first = int(frequency[0] == 0)
    if first:
        notes.append("0 Hz dropped: it has no place on a logarithmic frequency axis")
    if frequency.size <= first:
        raise InputError.single(sheet.where, "no row above 0 Hz", "a response over frequency", "export the table again")
    return first


def _of_long(
    sheet: Sheet, kinds: dict[ColumnKind, int], options: TablesOptions, notes: list[str]
) -> list[Curve] | Grid:
    frequency = _frequencies(sheet, kinds["frequency"], options)
    level = level_from_scale(
        sheet.numbers(kinds["level"]), options.level_scale, repr(sheet.titles[kinds["level"]]), sheet.where
    )
    keep = options.missing == "keep"
    above = frequency > 0
    if not above.all():
        notes.append("0 Hz dropped: it has no place on a logarithmic frequency axis")
    refuse_missing(level[above], "level", "the level", sheet.where, keep)
    phase = None
    if "phase" in kinds:
        phase = _phases(sheet, kinds["phase"], options)
        refuse_missing(phase[above], "phase", "the phase", sheet.where, keep)
    on_sphere = "azimuth" in kinds
    places = _sphere_places(sheet, kinds) if on_sphere else _orbit_places(sheet, kinds, options)
    keys, group = np.unique(places, axis=0, return_inverse=True)
    order = np.argsort(group.reshape(-1), kind="stable")
    order = order[above[order]]
    bounds = np.searchsorted(group.reshape(-1)[order], np.arange(len(keys) + 1))
    curves: list[Curve] = []
    problems: list[Problem] = []
    for number, key in enumerate(keys):
        rows = order[bounds[number] : bounds[number + 1]]
        words = (
            f"azimuth {key[0]:g}°, elevation {key[1]:g}°" if on_sphere else f"{_PLANE_WORDS[int(key[0])]} {key[1]:g}°"
        )
        try:
            _refuse_fall(sheet, frequency[rows], rows, f" of {words}")
            plane, angle = (
                ("horizontal", 0.0) if on_sphere else _turned(int(key[0]), float(key[1]), sheet, options, notes)
            )
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        of_phase = None if phase is None else phase[rows]
        _gaps(notes, "level", words, frequency[rows], level[rows])
        if of_phase is not None:
            _gaps(notes, "phase", words, frequency[rows], of_phase)
        curves.append(Curve(plane, angle, frequency[rows], level[rows], of_phase, f"{sheet.where}, {words}"))
    if problems:
        raise InputError(problems)
    return _grid(sheet, keys, curves, options) if on_sphere else curves


_PLANE_WORDS = ("horizontal", "vertical")


def _orbit_places(sheet: Sheet, kinds: dict[ColumnKind, int], options: TablesOptions) -> Floats:
    """Number of the plane and angle of each row."""
    angle = _given(sheet, kinds["angle"], "angle", 360.0)
    if "plane" not in kinds:
        plane = plane_of(sheet, options)
        if plane is None:
            raise InputError.single(
                sheet.where,
                "no column is the plane",
                "horizontal or vertical",
                "give it by the option `plane` or `columns`",
            )
        return np.stack([np.full(angle.shape, _PLANE_WORDS.index(plane)), angle], axis=1)
    words = sheet.texts(kinds["plane"])
    unknown = {word: row for row, word in reversed(list(enumerate(words))) if word.casefold() not in options.planes}
    if unknown:
        raise InputError(
            Problem(
                sheet.where,
                f"{sheet.place(row)}: the plane {word!r} is unknown",
                ", ".join(options.planes),
                "add the word to the option `planes`",
            )
            for word, row in unknown.items()
        )
    number = {word: _PLANE_WORDS.index(options.planes[word.casefold()]) for word in set(words)}
    return np.stack([np.array([number[word] for word in words], dtype=np.float64), angle], axis=1)


def _sphere_places(sheet: Sheet, kinds: dict[ColumnKind, int]) -> Floats:
    return np.stack(
        [_given(sheet, kinds["azimuth"], "azimuth", 360.0), _given(sheet, kinds["elevation"], "elevation", 90.0)],
        axis=1,
    )


def _given(sheet: Sheet, column: int, kind: str, most: float) -> Floats:
    values = sheet.numbers(column)
    bad = ~(np.abs(values) <= most + 1e-6)
    if bad.any():
        row = int(np.argmax(bad))
        found = "is empty" if np.isnan(values[row]) else f"is {values[row]:g}°"
        raise InputError.single(
            sheet.where, f"{sheet.place(row)}: the {kind} {found}", f"degrees within ±{most:g}", "correct the table"
        )
    # Minus zero and zero are one direction.
    return np.round(values, 6) + 0.0


def _turned(plane: int, angle: float, sheet: Sheet, options: TablesOptions, notes: list[str]) -> tuple[str, float]:
    """Plane and angle in our convention; which way positive angles go is the business of the naming."""
    found: Direction = by_pattern(
        f"{_PLANE_WORDS[plane]} {angle:f}", sheet, with_plain_words(options), "{plane} {angle}"
    )
    notes.extend(note for note in found.notes if note not in notes)
    return found.plane, found.angle


def _grid(sheet: Sheet, keys: Floats, curves: Sequence[Curve], options: TablesOptions) -> Grid:
    usual = curves[0].frequency
    other = [
        curve
        for curve in curves
        if curve.frequency.shape != usual.shape or not np.allclose(curve.frequency, usual, rtol=1e-6, atol=0)
    ]
    if other:
        raise InputError.single(
            sheet.where,
            f"{len(other)} of {len(curves)} directions have other frequencies than the first: {other[0].source}",
            "one frequency grid for all directions",
            "export all directions alike",
        )
    phases = [curve.phase for curve in curves if curve.phase is not None]
    return Grid(
        unit_vectors(keys[:, 0], keys[:, 1]) @ declared_frame(options, sheet.where).T,
        usual,
        np.stack([curve.level for curve in curves]),
        np.stack(phases) if len(phases) == len(curves) else None,
        [f"azimuth {azimuth:g}°, elevation {elevation:g}°" for azimuth, elevation in keys],
    )
