"""Read the tables of one device and put them together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.impedance.takes import mean_impedance, phase_deviation
from anechain.acoustics.recording.stated_signals import level_by_drive
from anechain.data.checks import Check, drives_in_words, made
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.file_labels import labelled
from anechain.importing.report_lines import gathered_notes
from anechain_columns.choosing import quantity_of, table_of
from anechain_columns.drives import volts_of_files
from anechain_columns.harmonics import Orders, orders_of
from anechain_columns.impedance import Impedance, impedance_of
from anechain_columns.options import ColumnsOptions
from anechain_delimited.decoding import decode

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["read"]

HERE = "importer columns"


def read(paths: Sequence[Path], options: ColumnsOptions) -> Reading:
    """Read the files of one device: one impedance (or its repeated takes), or harmonic orders, one file per drive.

    Parameters
    ----------
    paths : sequence of Path
        The files, in any order.
    options : ColumnsOptions
        What they hold and how they are written.

    Returns
    -------
    Reading
        `impedance` or `harmonics`, and a report with a line for each thing assumed, converted or dropped. `level_kind`
        of the harmonics is "spl" where the header says so, "relative" where levels are relative to the fundamental, and
        is not set where the files do not say.

    Raises
    ------
    InputError
        With one problem for each bad file; with those of the files together, once each is good by itself.
    """
    if not paths:
        raise InputError.single(HERE, "no files", "at least one file", "correct the device's files in the campaign")
    _, files = labelled(paths)
    problems: list[Problem] = []
    found: dict[str, Impedance | Orders] = {}
    notes: dict[str, list[str]] = {}
    for label, path in files.items():
        try:
            found[label], before = _content(path, label, options)
            notes[label] = [*before, *found[label].notes]
        except InputError as input_error:
            problems.extend(input_error.problems)
    if problems:
        raise InputError(problems)
    report = gathered_notes(notes)
    impedances = {label: one for label, one in found.items() if isinstance(one, Impedance)}
    orders = {label: one for label, one in found.items() if isinstance(one, Orders)}
    if impedances and orders:
        raise InputError.single(
            HERE,
            f"{next(iter(impedances))} holds an impedance, {next(iter(orders))} harmonic orders",
            "one of the two",
            "name them apart in the campaign, as `impedance` and `harmonics`",
        )
    if impedances:
        dataset = _joined_impedance(impedances, options, report)
        if options.drive is not None:
            dataset.attrs["drive"] = options.drive
        return Reading(impedance=dataset, report=tuple(report))
    if options.repeats:
        raise InputError.single(
            HERE, "the option `repeats` is set, but these are harmonics", "one file per drive", "leave the option out"
        )
    volts = volts_of_files(files, options, HERE)
    harmonics = _joined_orders(orders, volts, report)
    return Reading(harmonics=harmonics, report=tuple(report), checks=_checks(harmonics, volts))


def _checks(harmonics: xr.Dataset, volts: Mapping[str, float]) -> tuple[Check, ...]:
    """Whether the levels of the fundamental are those of the stated drives."""
    drives = harmonics["drive"].values
    if len(drives) < 2 or harmonics.attrs.get("level_kind") == "relative" or 1 not in harmonics["order"].values:
        return ()
    off = level_by_drive(harmonics["level"].sel(order=1).values, drives)
    labels = sorted(volts, key=lambda label: volts[label])
    found = f"stated drives, by the level of the fundamental, re the lowest drive: {drives_in_words(drives, off)}"
    return (made("drive", found, [(label, abs(by)) for label, by in zip(labels, off, strict=True)]),)


def _content(path: Path, label: str, options: ColumnsOptions) -> tuple[Impedance | Orders, list[str]]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError.single(
            label, f"cannot be read: {error.strerror}", "a readable file", "check its rights and that it exists"
        ) from None
    decoded = decode(data, label, options.encoding)
    table, cells = table_of(decoded.text, label, options)
    before = [*decoded.notes, *table.notes]
    if quantity_of(cells, options, label) == "impedance":
        return impedance_of(table, cells, options, label), before
    return orders_of(table, cells, options, label), before


def _check_one_grid(found: Mapping[str, Impedance] | Mapping[str, Orders]) -> None:
    """Refuse files whose frequencies differ (by more than 1 in 10^6)."""
    first, *others = found.items()
    other = [
        label
        for label, one in others
        if one.frequency.shape != first[1].frequency.shape
        or not np.allclose(one.frequency, first[1].frequency, rtol=1e-6, atol=0)
    ]
    if other:
        raise InputError(
            Problem(label, f"has other frequencies than {first[0]}", "one frequency grid", "export all files alike")
            for label in other
        )


def _joined_impedance(found: Mapping[str, Impedance], options: ColumnsOptions, report: list[str]) -> xr.Dataset:
    import xarray as xr

    first = next(iter(found.values()))
    magnitude, phase = first.magnitude, first.phase
    spread: dict[str, tuple[str, NDArray[Any]]] = {}
    if len(found) > 1:
        if not options.repeats:
            raise InputError.single(
                HERE,
                f"{len(found)} files of an impedance: {', '.join(list(found)[:4])}",
                "one file, since a device has one impedance",
                "name one file; or, if they are repeated takes of the same, set the option `repeats`",
            )
        _check_one_grid(found)
        phases = [one.phase for one in found.values() if one.phase is not None]
        if phases and len(phases) < len(found):
            report.append(f"phase missing in {len(found) - len(phases)} of {len(found)} takes: left out of the mean")
        moduli = np.stack([one.magnitude for one in found.values()])
        angles = np.stack(phases) if len(phases) == len(found) else None
        mean = mean_impedance(moduli, angles)
        magnitude, phase = mean.magnitude, mean.phase
        spread["magnitude_std"] = "frequency", mean.deviation * moduli.mean(axis=0)
        # Nothing is joined where a take has no value.
        spread["takes"] = "frequency", np.where(np.isfinite(mean.magnitude), len(found), 0).astype(np.int32)
        if angles is not None:
            spread["phase_std"] = "frequency", phase_deviation(moduli, angles)
        if np.isnan(mean.magnitude).all():
            raise InputError.single(HERE, "no frequency has a value in every take", "whole takes", "export them again")
        at = int(np.nanargmax(mean.deviation))
        report.append(
            f"mean of {len(found)} takes; their standard deviation is at most {100 * mean.deviation[at]:.2g} per cent, "
            f"at {first.frequency[at]:g} Hz, and {100 * np.nanmedian(mean.deviation):.2g} per cent in the median"
        )
    data = {"magnitude": ("frequency", magnitude)}
    if phase is not None:
        data["phase"] = ("frequency", phase)
    return xr.Dataset({**data, **spread}, {"frequency": first.frequency})


def _joined_orders(found: Mapping[str, Orders], volts: Mapping[str, float], report: list[str]) -> xr.Dataset:
    import xarray as xr

    _check_one_grid(found)
    kinds = {one.level_kind: label for label, one in found.items()}
    if len(kinds) > 1:
        words = {"spl": "sound pressure levels", "relative": "relative levels", "": "levels of unstated reference"}
        said = "; ".join(f"{label} holds {words[kind]}" for kind, label in kinds.items())
        raise InputError.single(HERE, said, "one kind of level", "export all drives alike")
    labels = sorted(found, key=lambda label: volts[label])
    orders = sorted({n for one in found.values() for n in one.level})
    frequency = next(iter(found.values())).frequency
    shape = len(labels), len(orders), frequency.size
    level, noise = np.full(shape, np.nan), np.full(shape, np.nan)
    for row, label in enumerate(labels):
        one = found[label]
        if lacking := [n for n in orders if n not in one.level]:
            report.append(f"{label}: orders {', '.join(map(str, lacking))} missing, which other drives have")
        for n, values in one.level.items():
            level[row, orders.index(n)] = values
        for n, values in one.noise.items():
            noise[row, orders.index(n)] = values
    report.append("drives: " + ", ".join(f"{label} at {volts[label]:g} V" for label in labels))
    dims = ("drive", "order", "frequency")
    dataset = xr.Dataset(
        {"level": (dims, level), "noise": (dims, noise)},
        {"drive": [volts[label] for label in labels], "order": orders, "frequency": frequency},
    )
    if kind := next(iter(kinds)):
        dataset.attrs["level_kind"] = kind
    return dataset
