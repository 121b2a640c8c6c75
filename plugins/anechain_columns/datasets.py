"""Datasets of the files of a device: the mean of repeated impedances, and the harmonics at all drives."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from anechain.acoustics.impedance.takes import mean_impedance, phase_deviation
from anechain.errors import InputError, Problem
from anechain_columns.harmonics import Orders
from anechain_columns.impedance import Impedance
from anechain_columns.options import ColumnsOptions

__all__ = ["HERE", "harmonics_dataset", "impedance_dataset"]

HERE = "importer columns"
"""Name of the importer in error messages."""


def _check_same_frequencies(files: Mapping[str, Impedance] | Mapping[str, Orders]) -> None:
    """Check that all files have the same frequencies (to 1 in 10^6)."""
    (first_label, first), *others = files.items()
    different = [
        label
        for label, content in others
        if content.frequency.shape != first.frequency.shape
        or not np.allclose(content.frequency, first.frequency, rtol=1e-6, atol=0)
    ]
    if different:
        raise InputError(
            Problem(
                label,
                f"has other frequencies than {first_label}",
                "the same frequencies in all files",
                "export all files with the same settings",
            )
            for label in different
        )


def impedance_dataset(impedances: Mapping[str, Impedance], options: ColumnsOptions, report: list[str]) -> xr.Dataset:
    """Return the dataset of an impedance, of one file or the mean of repeated takes.

    Parameters
    ----------
    impedances : mapping of str to Impedance
        By file.
    options : ColumnsOptions
        The option `repeats` allows several files.
    report : list of str
        Lines of the import report are appended to it.

    Raises
    ------
    InputError
        If there are several files without the option `repeats`, files have different frequencies, or no frequency has
        a value in all takes.
    """
    first = next(iter(impedances.values()))
    magnitude, phase = first.magnitude, first.phase
    spread: dict[str, tuple[str, NDArray[Any]]] = {}
    count = len(impedances)
    if count > 1:
        if not options.repeats:
            raise InputError.single(
                HERE,
                f"{count} files of an impedance: {', '.join(list(impedances)[:4])}",
                "one file, because a device has one impedance",
                "name one file; or set the option `repeats`, if they are repeated takes",
            )
        _check_same_frequencies(impedances)
        phases = [impedance.phase for impedance in impedances.values() if impedance.phase is not None]
        if phases and len(phases) < count:
            report.append(f"phase missing in {count - len(phases)} of {count} takes: the mean has no phase")
        all_magnitudes = np.stack([impedance.magnitude for impedance in impedances.values()])
        all_phases = np.stack(phases) if len(phases) == count else None
        mean = mean_impedance(all_magnitudes, all_phases)
        magnitude, phase = mean.magnitude, mean.phase
        spread["magnitude_std"] = "frequency", mean.deviation * all_magnitudes.mean(axis=0)
        # At a frequency where a take has no value, there is no mean.
        spread["takes"] = "frequency", np.where(np.isfinite(mean.magnitude), count, 0).astype(np.int32)
        if all_phases is not None:
            spread["phase_std"] = "frequency", phase_deviation(all_magnitudes, all_phases)
        if np.isnan(mean.magnitude).all():
            raise InputError.single(
                HERE, "no frequency has a value in every take", "complete takes", "export them again"
            )
        worst = int(np.nanargmax(mean.deviation))
        report.append(
            f"mean of {count} takes; their standard deviation is at most {100 * mean.deviation[worst]:.2g} per cent, "
            f"at {first.frequency[worst]:g} Hz; its median is {100 * np.nanmedian(mean.deviation):.2g} per cent"
        )
    variables = {"magnitude": ("frequency", magnitude)}
    if phase is not None:
        variables["phase"] = ("frequency", phase)
    return xr.Dataset({**variables, **spread}, {"frequency": first.frequency})


def harmonics_dataset(files: Mapping[str, Orders], volts: Mapping[str, float], report: list[str]) -> xr.Dataset:
    """Return the dataset of harmonics at the drives of all files.

    Parameters
    ----------
    files : mapping of str to Orders
        By file.
    volts : mapping of str to float
        Drive of each file in V r.m.s.
    report : list of str
        Lines of the import report are appended to it.

    Raises
    ------
    InputError
        If files have different frequencies or kinds of level.
    """
    _check_same_frequencies(files)
    label_of_kind = {content.level_kind: label for label, content in files.items()}
    if len(label_of_kind) > 1:
        words = {"spl": "sound pressure levels", "relative": "relative levels", "": "levels of unknown reference"}
        listed = "; ".join(f"{label} holds {words[kind]}" for kind, label in label_of_kind.items())
        raise InputError.single(HERE, listed, "one kind of level", "export all drives with the same settings")
    labels = sorted(files, key=lambda label: volts[label])
    orders = sorted({order for content in files.values() for order in content.level})
    frequency = next(iter(files.values())).frequency
    shape = len(labels), len(orders), frequency.size
    level, noise, phase = (np.full(shape, np.nan) for _ in range(3))
    for row, label in enumerate(labels):
        content = files[label]
        if absent := [order for order in orders if order not in content.level]:
            report.append(f"{label}: orders {', '.join(map(str, absent))} missing, which other drives have")
        for order, curve in content.level.items():
            level[row, orders.index(order)] = curve
        for order, curve in content.noise.items():
            noise[row, orders.index(order)] = curve
        for order, curve in content.phase.items():
            phase[row, orders.index(order)] = curve
    report.append("drives: " + ", ".join(f"{label} at {volts[label]:g} V" for label in labels))
    dims = ("drive", "order", "frequency")
    dataset = xr.Dataset(
        {"level": (dims, level), "noise": (dims, noise)},
        {"drive": [volts[label] for label in labels], "order": orders, "frequency": frequency},
    )
    if any(content.phase for content in files.values()):
        dataset["phase"] = dims, phase
        report.append("phase of each order n as in the table: re n times the phase of the excitation")
    if level_kind := next(iter(label_of_kind)):
        dataset.attrs["level_kind"] = level_kind
    return dataset
