"""Contents of an output file: its curves, directions, other rows and numbers, device by device."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.data.tables import UNCERTAINTY_COLUMN
from anechain.errors import InputError
from anechain.receipts.canonical_json import parse_json
from anechain.receipts.netcdf_receipt import NETCDF_SIGNATURES
from anechain.regular_files import require_regular_file

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "MULTI_DEVICE_FILES",
    "Block",
    "Content",
    "Number",
    "count_rows",
    "empty_like",
    "read_contents",
    "shifted",
]

MULTI_DEVICE_FILES = ("comparison", "distortion-comparison", "numbers of all devices")
"""Kinds of files that hold several devices; each device is compared with itself."""

_KINDS = {
    ("curves", "level"): "curve",
    ("curves", "directivity_index"): "index",
    ("comparison", "level"): "curve",
    ("comparison", "directivity_index"): "index",
    ("responses", "level"): "direction",
    ("sphere", "level"): "direction",
}
"""Kind of a block by kind of file and variable; "row" for all others."""
_SINGLE_PEAK = re.compile(r"deviations\.\d+\.")
"""Peaks and dips are numbered in order: the second of one side may be another peak than the second of the other."""
_UNITS = {"degree": "°", "Hz": " Hz", "V": " V"}


@dataclass(frozen=True)
class Block:
    """Rows of values over one frequency grid.

    Attributes
    ----------
    kind : str
        "curve", "index", "direction" (a measured one) or "row" (any other); see
        :class:`anechain.data.changes.Difference`.
    unit : str
        Unit of the values.
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    names : tuple of str
        Names of the rows. A row without any value is left out: a gap and an absent curve are treated alike.
    values : numpy.ndarray, shape (rows, n)
        NaN where there is no value.
    """

    kind: str
    unit: str
    frequency: Floats
    names: tuple[str, ...]
    values: Floats


@dataclass(frozen=True)
class Number:
    """A single value and its unit; the value may be a text, or None for a gap with its reason in `note`."""

    value: Any
    unit: str = ""
    note: str = ""


@dataclass(frozen=True)
class Content:
    """Content of a file for one device.

    Attributes
    ----------
    file_kind : str
        The name of the file's contract without the version, or "numbers".
    device, title : str
        The device's id and name in print, where the file has them.
    level_kind : str
        "spl", "relative", or empty where the file does not state it.
    blocks : dict of str to Block
        Blocks by variable.
    gaps : dict of str to str
        Reason of the gap, by curve or index.
    methods : dict of str to str
        "id@version" of the method behind each curve and index.
    numbers : dict of str to Number
        Numbers by quantity.
    """

    file_kind: str
    device: str = ""
    title: str = ""
    level_kind: str = ""
    blocks: Mapping[str, Block] = field(default_factory=dict)
    gaps: Mapping[str, str] = field(default_factory=dict)
    methods: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, Number] = field(default_factory=dict)


def read_contents(path: Path) -> list[Content]:
    """Read an output file.

    Returns
    -------
    list of Content
        One per device in the file.

    Raises
    ------
    InputError
        If the file cannot be read, or holds nothing that can be compared.
    """
    try:
        require_regular_file(path)
        with path.open("rb") as file:
            start = file.read(64)
        if start.startswith(NETCDF_SIGNATURES):
            from anechain.data.store import read_dataset

            return _dataset_contents(read_dataset(path))
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError.single(path, f"cannot be read: {error.strerror or error}", fix="name an output file") from None
    except UnicodeDecodeError:
        text = ""
    if text.lstrip().startswith("{"):
        return [_numbers_content(text, path)]
    table = _without_comments(text)
    if table.startswith("device,"):
        return _number_table_contents(table, path)
    return [_curve_table_content(table, path)]


def _without_comments(text: str) -> str:
    # Not splitlines(): it also splits at characters that may occur in a text.
    return "\n".join(line for line in text.split("\n") if not line.startswith("#"))


def _dataset_contents(dataset: xr.Dataset) -> list[Content]:
    file_kind = str(dataset.attrs.get("contract", "")).partition("/")[0] or "dataset"
    if "device" in dataset.dims and "device" in dataset.coords:
        titles = dataset["title"].values if "title" in dataset.coords else dataset["device"].values
        return [
            _device_content(dataset.isel(device=index), file_kind, str(device), str(titles[index]))
            for index, device in enumerate(dataset["device"].values)
        ]
    attrs = dataset.attrs
    return [_device_content(dataset, file_kind, str(attrs.get("device", "")), str(attrs.get("title", "")))]


def _device_content(dataset: xr.Dataset, file_kind: str, device: str, title: str) -> Content:
    blocks: dict[str, Block] = {}
    numbers: dict[str, Number] = {}
    methods: dict[str, str] = {}
    for variable, data in dataset.data_vars.items():
        name = str(variable)
        if data.dtype.kind != "f":
            continue
        unit = str(data.attrs.get("units", ""))
        dims = [str(dim) for dim in data.dims if dim != "frequency"]
        kind = _KINDS.get((file_kind, name), "row")
        prefix = "" if kind != "row" else name
        if "frequency" not in data.dims:
            single_values = np.asarray(data.values, np.float64).ravel().tolist()
            names = _row_names(dataset, dims, name)
            numbers |= {
                row: Number(None if math.isnan(value) else value, unit)
                for row, value in zip(names, single_values, strict=True)
            }
            continue
        values = np.asarray(data.transpose(*dims, "frequency").values, np.float64)
        values = values.reshape(-1, values.shape[-1])
        known = np.flatnonzero(~np.isnan(values).all(axis=1))
        names = _row_names(dataset, dims, prefix)
        frequency = np.asarray(dataset["frequency"].values, np.float64)
        blocks[name] = Block(kind, unit, frequency, tuple(names[row] for row in known), values[known])
    for variable, dim in (("curve_method", "curve"), ("index_method", "index")):
        if variable in dataset:
            methods |= {
                str(name): str(method)
                for name, method in zip(dataset[dim].values, dataset[variable].values, strict=True)
            }
    gaps = json.loads(str(dataset.attrs.get("gaps") or "{}"))
    if file_kind == "comparison":
        gaps = gaps.get(device, {})
    level_kind = str(dataset.attrs.get("level_kind", ""))
    return Content(file_kind, device, title, level_kind, blocks, gaps, methods, numbers)


def _row_names(dataset: xr.Dataset, dims: Sequence[str], prefix: str) -> list[str]:
    """Return the name of each row from its coordinates: "horizontal 20°", "azimuth 10°, elevation -20°"."""
    parts = []
    for dim in dims:
        if dim in dataset.coords:
            parts.append([_label(dim, value, dataset[dim].attrs) for value in dataset[dim].values])
            continue
        # A dimension without coordinates of its own, such as the directions of a sphere, may have several along it.
        coordinates = [name for name, values in dataset.coords.items() if values.dims == (dim,)]
        labels = [
            [_label(str(name), value, dataset[name].attrs, True) for value in dataset[name].values]
            for name in coordinates
        ]
        parts.append(
            [", ".join(label) for label in zip(*labels, strict=True)]
            if labels
            else [f"{dim} {number}" for number in range(1, dataset.sizes[dim] + 1)]
        )
    names = [" ".join(filter(None, (prefix, *row))) for row in itertools.product(*parts)]
    counts: dict[str, int] = {}
    for index, name in enumerate(names):
        counts[name] = counts.get(name, 0) + 1
        if counts[name] > 1:
            names[index] = f"{name} ({counts[name]})"
    return names


def _label(dim: str, value: Any, attrs: Mapping[Any, Any], with_name: bool = False) -> str:
    if isinstance(value, str):
        return value
    unit = _UNITS.get(str(attrs.get("units", "")))
    text = f"{float(value):g}{unit or ''}"
    return text if unit and not with_name else f"{dim} {text}"


def _numbers_content(text: str, path: Path) -> Content:
    try:
        document = parse_json(text)
    except ValueError as error:
        raise InputError.single(path, f"cannot be read: {error}", "an output of a campaign") from None
    numbers = dict(_walk_numbers(document, ()))
    if not numbers:
        raise InputError.single(path, "has no numbers", "an object of quantities, each with its value")
    return Content("numbers", numbers=numbers)


def _walk_numbers(document: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[tuple[str, Number]]:
    for name, entry in document.items():
        if not isinstance(entry, Mapping) or (not path and name == "receipt"):
            continue
        if "value" in entry:
            note = str(entry.get("note") or entry.get("reason") or "")
            unit = str(entry.get("unit") or "")
            yield ".".join((*path, name)), Number(entry["value"], unit, note)
            if entry.get("uncertainty") is not None:
                yield ".".join((*path, name, "uncertainty")), Number(entry["uncertainty"], unit)
            for end, limit in zip(("low", "high"), entry.get("interval") or (), strict=False):
                yield ".".join((*path, name, f"interval_{end}")), Number(limit, unit)
        else:
            yield from _walk_numbers(entry, (*path, name))


def _number_table_contents(text: str, path: Path) -> list[Content]:
    """Return the contents of the table of all devices' numbers, which has one line per number."""
    numbers: dict[str, dict[str, Number]] = {}
    titles: dict[str, str] = {}
    try:
        for row in csv.DictReader(io.StringIO(text, newline="")):
            if _SINGLE_PEAK.match(row["quantity"]):
                continue
            device, quantity, unit = row["device"], row["quantity"], row["unit"]
            titles[device] = row["device_title"]
            device_numbers = numbers.setdefault(device, {})
            device_numbers[quantity] = Number(_cell(row["value"]), unit, row["reason"])
            if row["uncertainty"]:
                device_numbers[f"{quantity}.uncertainty"] = Number(_cell(row["uncertainty"]), unit)
            for end in ("interval_low", "interval_high"):
                if row.get(end):
                    device_numbers[f"{quantity}.{end}"] = Number(_cell(row[end]), unit)
    except (KeyError, TypeError, csv.Error) as error:
        raise InputError.single(
            path, f"is not a complete table of numbers: {error}", "an unaltered results/numbers.csv"
        ) from None
    return [
        Content("numbers of all devices", device, titles[device], numbers=device_numbers)
        for device, device_numbers in numbers.items()
    ]


def _cell(text: str) -> float | str | None:
    try:
        return float(text) if text else None
    except ValueError:
        return text


def _curve_table_content(text: str, path: Path) -> Content:
    rows = [row for row in csv.reader(io.StringIO(text, newline="")) if row]
    if not rows or rows[0][0] != "frequency_Hz" or not all(name.endswith("_dB") for name in rows[0][1:]):
        raise InputError.single(
            path,
            "cannot be compared",
            "a results folder, a netCDF output, a table of curves (frequency_Hz, on_axis_dB, ...), or numbers as JSON",
        )
    try:
        data = np.array([[float(cell) if cell else math.nan for cell in row] for row in rows[1:]], np.float64)
        data = data.reshape(-1, len(rows[0]))
        frequency = data[:, 0]
        if not frequency.size or not (np.diff(frequency) > 0).all() or not frequency[0] > 0:
            raise ValueError("its frequencies do not increase")
    except ValueError as error:
        raise InputError.single(path, f"is not a complete table: {error}", "an unaltered table of curves") from None
    names = [name.removesuffix("_dB") for name in rows[0][1:]]
    blocks = {}
    for variable, kind in (("level", "curve"), ("directivity_index", "index"), ("uncertainty", "row")):
        columns = [
            column
            for column, name in enumerate(names, 1)
            if _column_kind(name) == kind and not np.isnan(data[:, column]).all()
        ]
        column_names = tuple(names[column - 1] for column in columns)
        blocks[variable] = Block(kind, "dB", frequency, column_names, data[:, columns].T)
    return Content("curves", blocks=blocks)


def _column_kind(name: str) -> str:
    return "row" if f"{name}_dB".endswith(UNCERTAINTY_COLUMN) else "index" if _is_index(name) else "curve"


def _is_index(name: str) -> bool:
    """Return whether a name of the curve set is that of a directivity index, a difference of two curves."""
    return "_index" in name or name == "two_orbit_error"


def shifted(content: Content, shift_db: float) -> Content:
    """Return the content with `shift_db` added to the levels of its curves."""
    blocks = {
        name: replace(block, values=block.values + shift_db) if block.kind == "curve" else block
        for name, block in content.blocks.items()
    }
    return replace(content, blocks=blocks)


def empty_like(content: Content) -> Content:
    """Return the content of a file that does not exist: the same blocks without rows."""
    blocks = {name: replace(block, names=(), values=block.values[:0]) for name, block in content.blocks.items()}
    return Content(content.file_kind, content.device, content.title, content.level_kind, blocks)


def count_rows(contents: Iterable[Content], kind: str) -> int:
    """Return how many rows of a kind some contents have together; a name in several of them counts once."""
    return len(
        {
            name
            for content in contents
            for block in content.blocks.values()
            if block.kind == kind
            for name in block.names
        }
    )
