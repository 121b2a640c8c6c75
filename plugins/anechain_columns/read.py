"""Read the tables of impedance or harmonic orders of one device."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from anechain.acoustics.recording.stated_signals import level_error_by_drive
from anechain.errors import InputError, Problem
from anechain.hooks import Check, Reading, check_result, drive_errors_text
from anechain.importing.file_labels import label_files
from anechain.importing.report_lines import merge_notes
from anechain.importing.text_decoding import decode, read_bytes
from anechain_columns.datasets import HERE, harmonics_dataset, impedance_dataset
from anechain_columns.drives import volts_of_files
from anechain_columns.harmonics import Orders, orders_of_table
from anechain_columns.impedance import Impedance, impedance_of_table
from anechain_columns.options import ColumnsOptions
from anechain_columns.quantity import quantity_of, read_titled_table

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["read"]


def read(paths: Sequence[Path], options: ColumnsOptions) -> Reading:
    """Read the files of one device: an impedance (or its repeated takes), or harmonic orders, one file per drive.

    Parameters
    ----------
    paths : sequence of Path
        The files, in any order.
    options : ColumnsOptions
        Content and format of the files.

    Returns
    -------
    Reading
        `impedance` or `harmonics`, and a report with a line for each thing assumed, converted or ignored. `level_kind`
        of the harmonics is "spl" if the header states sound pressure levels, "relative" if levels are relative to the
        fundamental, and not set if the files do not state it.

    Raises
    ------
    InputError
        With one problem for each bad file. Problems between files are reported once each file is good.
    """
    if not paths:
        raise InputError.single(HERE, "no files", "at least one file", "correct the device's files in the campaign")
    _, files = label_files(paths)
    problems: list[Problem] = []
    impedances: dict[str, Impedance] = {}
    orders: dict[str, Orders] = {}
    notes: dict[str, list[str]] = {}
    for label, path in files.items():
        try:
            content, notes[label] = _read_file(path, label, options)
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        if isinstance(content, Impedance):
            impedances[label] = content
        else:
            orders[label] = content
    if problems:
        raise InputError(problems)
    report = merge_notes(notes)
    if impedances and orders:
        raise InputError.single(
            HERE,
            f"{next(iter(impedances))} holds an impedance, {next(iter(orders))} harmonic orders",
            "one of the two",
            "name them separately in the campaign, as `impedance` and `harmonics`",
        )
    if impedances:
        dataset = impedance_dataset(impedances, options, report)
        if options.drive is not None:
            dataset.attrs["drive"] = options.drive
        return Reading(impedance=dataset, report=tuple(report))
    if options.repeats:
        raise InputError.single(
            HERE, "the option `repeats` is set, but these are harmonics", "one file per drive", "leave the option out"
        )
    volts = volts_of_files(files, options, HERE)
    harmonics = harmonics_dataset(orders, volts, report)
    return Reading(harmonics=harmonics, report=tuple(report), checks=_drive_checks(harmonics, volts))


def _read_file(path: Path, label: str, options: ColumnsOptions) -> tuple[Impedance | Orders, list[str]]:
    """Return the content of one file, and notes."""
    decoded = decode(read_bytes(path, label), label, options.encoding)
    table, cells = read_titled_table(decoded.text, label, options)
    content: Impedance | Orders
    if quantity_of(cells, options, label) == "impedance":
        content = impedance_of_table(table, cells, options, label)
    else:
        content = orders_of_table(table, cells, options, label)
    return content, [*decoded.notes, *table.notes, *content.notes]


def _drive_checks(harmonics: xr.Dataset, volts: Mapping[str, float]) -> tuple[Check, ...]:
    """Check whether levels of the fundamental rise as the stated drives do."""
    drives = harmonics["drive"].values
    if len(drives) < 2 or harmonics.attrs.get("level_kind") == "relative" or 1 not in harmonics["order"].values:
        return ()
    errors = level_error_by_drive(harmonics["level"].sel(order=1).values, drives)
    labels = sorted(volts, key=lambda label: volts[label])
    text = f"level of the fundamental against stated drives, re the lowest drive: {drive_errors_text(drives, errors)}"
    return (check_result("drive", text, [(label, abs(error)) for label, error in zip(labels, errors, strict=True)]),)
