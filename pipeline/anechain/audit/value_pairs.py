"""Pairs of values of two versions of one file, by file format: what is compared with what."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Pair", "dataset_pairs", "table_pairs", "text_pairs", "tree_pairs"]

Pair = tuple[str, Any, Any]
"""Place in the file, old value, new value: two numbers, or two values of any other type that must be equal."""

_HASH = re.compile(r"\b[0-9a-f]{64}\b")
_SHORT_HASH = re.compile(r'(?<=<code title="">)[0-9a-f]+')
_SOFTWARE = re.compile(r"\bAnechain \d+(?:\.\w+)+")
_TAG = re.compile(r"<[^<>]*>|<[^<>]*$|^[^<>]*>")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")


def dataset_pairs(before: Path, after: Path) -> Iterator[Pair]:
    """Yield attributes and variables of two datasets; of each variable the values that differ most."""
    from anechain.data.store import read_dataset

    old, new = read_dataset(before), read_dataset(after)
    yield from tree_pairs(_attributes(old.attrs), _attributes(new.attrs), "attribute")
    for variable in dict.fromkeys([*map(str, old.variables), *map(str, new.variables)]):
        if variable not in old.variables or variable not in new.variables:
            yield variable, variable in old.variables or None, variable in new.variables or None
            continue
        yield from _variable_pairs(old, new, variable)


def _variable_pairs(old: xr.Dataset, new: xr.Dataset, name: str) -> Iterator[Pair]:
    import numpy as np

    before, after = old[name], new[name]
    yield from tree_pairs(_attributes(before.attrs), _attributes(after.attrs), f"attribute of {name}")
    if before.dims != after.dims or before.shape != after.shape:
        yield f"the shape of {name}", dict(before.sizes), dict(after.sizes)
        return
    if before.dtype.kind not in "fiu" or after.dtype.kind not in "fiu":
        yield from tree_pairs(before.values.astype(str).tolist(), after.values.astype(str).tolist(), name)
        return
    old_values, new_values = np.asarray(before.values, np.float64), np.asarray(after.values, np.float64)
    with np.errstate(invalid="ignore"):
        equal = (old_values == new_values) | (np.isnan(old_values) & np.isnan(new_values))
        difference = np.where(equal, 0.0, np.abs(old_values - new_values))
    difference = np.where(np.isnan(difference), np.inf, difference)
    if not difference.size:
        return
    largest = np.unravel_index(int(np.argmax(difference)), difference.shape)
    place = ", ".join(
        f"{dim} {_coordinate(old, str(dim), int(number))}" for dim, number in zip(before.dims, largest, strict=True)
    )
    yield f"{name}{f' ({place})' if place else ''}", float(old_values[largest]), float(new_values[largest])


def _coordinate(dataset: xr.Dataset, dim: str, number: int) -> str:
    if dim not in dataset.coords:
        return str(number + 1)
    value = dataset[dim].values[number]
    return str(value) if isinstance(value, str) else f"{float(value):g}"


def _attributes(attributes: Mapping[Any, Any]) -> dict[str, Any]:
    return {
        str(name): value.tolist() if hasattr(value, "tolist") else value
        for name, value in attributes.items()
        if name != "receipt"
    }


def table_pairs(old: bytes, new: bytes) -> Iterator[Pair]:
    """Yield the cells that differ of two CSV tables."""
    tables = [list(csv.reader(io.StringIO(text.decode("utf-8-sig")))) for text in (old, new)]
    yield "number of lines", str(len(tables[0])), str(len(tables[1]))
    header: list[str] = next((row for row in tables[0] if row and not row[0].startswith("#")), [])
    for line, (old_row, new_row) in enumerate(zip(*tables, strict=False), 1):
        if len(old_row) != len(new_row):
            yield f"line {line}", old_row, new_row
            continue
        for column, (old_cell, new_cell) in enumerate(zip(old_row, new_row, strict=True)):
            if old_cell != new_cell:
                title = header[column] if column < len(header) else str(column + 1)
                yield f"{title}, line {line}", _cell_value(old_cell), _cell_value(new_cell)


def _cell_value(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


def tree_pairs(old: Any, new: Any, where: str = "") -> Iterator[Pair]:
    """Yield the members and items that differ of two JSON values."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys([*old, *new]):
            if old.get(key) != new.get(key) or (key in old) != (key in new):
                yield from tree_pairs(old.get(key), new.get(key), f"{where}.{key}" if where else str(key))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for number, (old_item, new_item) in enumerate(zip(old, new, strict=True), 1):
            if old_item != new_item:
                yield from tree_pairs(old_item, new_item, f"{where}[{number}]")
    elif old != new:
        yield where or "the document", old, new


def text_pairs(old: str, new: str) -> Iterator[Pair]:
    """Yield the numbers that differ of two texts, or the first difference of the text between them.

    Hashes are left out, since the files that they belong to are compared themselves.
    """
    texts = [_HASH.sub("", text) for text in (old, new)]
    texts = [_SOFTWARE.sub("", _SHORT_HASH.sub("", text)) for text in texts]
    between = [_NUMBER.split(text) for text in texts]
    numbers = [_NUMBER.findall(text) for text in texts]
    if between[0] != between[1]:
        differing = (pair for pair in zip(*between, strict=False) if pair[0] != pair[1])
        before, after = next(differing, (f"{len(numbers[0])} numbers", f"{len(numbers[1])} numbers"))
        pairs = enumerate(zip(before, after, strict=False))
        start = next((index for index, (old_letter, new_letter) in pairs if old_letter != new_letter), 0)
        excerpts = [" ".join(_TAG.sub(" ", text[max(0, start - 40) :]).split())[:50] for text in (before, after)]
        yield "the text", *(excerpts if excerpts[0] != excerpts[1] else ("one text", "another"))
        return
    for number, (old_number, new_number) in enumerate(zip(*numbers, strict=True), 1):
        if old_number != new_number:
            yield f"number {number}", float(old_number), float(new_number)
