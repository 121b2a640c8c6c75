"""What two outputs say differently: curve by curve, direction by direction, number by number."""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.data.tables import UNCERTAINTY_COLUMN
from anechain.errors import InputError
from anechain.receipts.canonical_json import parsed
from anechain.receipts.netcdf_receipt import NETCDF_SIGNATURES

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "OF_ALL_DEVICES",
    "Block",
    "Content",
    "Difference",
    "Number",
    "block_differences",
    "number_differences",
    "read_contents",
]


SAME_NUMBER = 1e-9
"""Relative difference within which two values that are not in dB are the same."""

_KINDS = {
    ("curves", "level"): "curve",
    ("curves", "directivity_index"): "index",
    ("comparison", "level"): "curve",
    ("comparison", "directivity_index"): "index",
    ("responses", "level"): "direction",
    ("sphere", "level"): "direction",
}
OF_ALL_DEVICES = ("comparison", "distortion-comparison", "numbers of all devices")
"""Kinds of files that hold several devices, each compared with itself."""
_ONE_PEAK = re.compile(r"deviations\.\d+\.")
"""Peaks and dips are numbered as they are found: the second of one side need not be the second of the other."""
_SIGNS = {"degree": "°", "Hz": " Hz", "V": " V"}


@dataclass(frozen=True)
class Block:
    """Rows of values over one frequency grid.

    Attributes
    ----------
    kind : str
        "curve", "index", "direction" (a measured one) or "row" (anything else).
    unit : str
        Of the values.
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    names : tuple of str
        Of the rows. A row without any value is left out: a gap and an absent curve are the same.
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
    """A single value and its unit; the value may be a text, or None for a gap, and then `note` says why."""

    value: Any
    unit: str = ""
    note: str = ""


@dataclass(frozen=True)
class Content:
    """What a file says of one device.

    Attributes
    ----------
    about : str
        The kind of file: the name of its contract without the version, or "numbers".
    device, title : str
        The device, where the file names it.
    level_kind : str
        "spl", "relative", or empty where the file does not say.
    blocks : dict of str to Block
        By variable.
    gaps : dict of str to str
        Why a curve is missing.
    methods : dict of str to str
        "id@version" behind each curve and index.
    numbers : dict of str to Number
        By quantity.
    """

    about: str
    device: str = ""
    title: str = ""
    level_kind: str = ""
    blocks: Mapping[str, Block] = field(default_factory=dict)
    gaps: Mapping[str, str] = field(default_factory=dict)
    methods: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, Number] = field(default_factory=dict)


@dataclass(frozen=True)
class Difference:
    """One curve, direction or number that is not the same on both sides.

    Attributes
    ----------
    kind, name, unit : str
        What it is; see :class:`Block`, "number", and "reference" (what the levels refer to).
    state : str
        "changed", "gone" (only the old side has it) or "appeared" (only the new side has it).
    frequency, change : numpy.ndarray, shape (n,)
        Hz, and new minus old; NaN where a side has no value. Empty for a number.
    largest, at : float
        The change that is largest in magnitude, with its sign, and the frequency in Hz where it is found.
    rms : float
        Root of the mean squared change; each frequency counts by its share of the logarithmic axis.
    bands : tuple of (float, float)
        Hz: the stretches over which the change is more than what counts as the same.
    everywhere : bool
        Whether that is so at every frequency that both sides have.
    lost, gained : int
        Frequencies at which only the old, or only the new side has a value.
    old, new : object
        The two values of a number.
    """

    kind: str
    name: str
    unit: str
    state: str = "changed"
    frequency: Floats = field(default_factory=lambda: np.empty(0))
    change: Floats = field(default_factory=lambda: np.empty(0))
    largest: float = math.nan
    at: float = math.nan
    rms: float = math.nan
    bands: tuple[tuple[float, float], ...] = ()
    everywhere: bool = False
    lost: int = 0
    gained: int = 0
    old: Any = None
    new: Any = None


# Reading.


def read_contents(path: Path) -> list[Content]:
    """Read an output: one content per device.

    Raises
    ------
    InputError
        If it cannot be read, or holds nothing that can be compared.
    """
    try:
        with path.open("rb") as file:
            start = file.read(64)
        if start.startswith(NETCDF_SIGNATURES):
            from anechain.data.store import read_dataset

            return _of_dataset(read_dataset(path))
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError.single(path, f"cannot be read: {error.strerror or error}", fix="give an output") from None
    except UnicodeDecodeError:
        text = ""
    if text.lstrip().startswith("{"):
        return [_of_numbers(text, path)]
    table = _without_comments(text)
    if table.startswith("device,"):
        return _of_number_table(table, path)
    return [_of_table(table, path)]


def _without_comments(text: str) -> str:
    # Not by splitlines(), to which more than a line feed ends a line.
    return "\n".join(line for line in text.split("\n") if not line.startswith("#"))


def _of_dataset(dataset: xr.Dataset) -> list[Content]:
    about = str(dataset.attrs.get("contract", "")).partition("/")[0] or "dataset"
    if "device" in dataset.dims and "device" in dataset.coords:
        titles = dataset["title"].values if "title" in dataset.coords else dataset["device"].values
        return [
            _of_device(dataset.isel(device=at), about, str(device), str(titles[at]))
            for at, device in enumerate(dataset["device"].values)
        ]
    attrs = dataset.attrs
    return [_of_device(dataset, about, str(attrs.get("device", "")), str(attrs.get("title", "")))]


def _of_device(dataset: xr.Dataset, about: str, device: str, title: str) -> Content:
    blocks: dict[str, Block] = {}
    numbers: dict[str, Number] = {}
    methods: dict[str, str] = {}
    for variable, data in dataset.data_vars.items():
        name = str(variable)
        if data.dtype.kind != "f":
            continue
        unit = str(data.attrs.get("units", ""))
        dims = [str(dim) for dim in data.dims if dim != "frequency"]
        kind = _KINDS.get((about, name), "row")
        prefix = "" if kind != "row" else name
        if "frequency" not in data.dims:
            single = np.asarray(data.values, np.float64).ravel().tolist()
            names = _row_names(dataset, dims, name)
            numbers |= {row: Number(_plain(value), unit) for row, value in zip(names, single, strict=True)}
            continue
        values = np.asarray(data.transpose(*dims, "frequency").values, np.float64)
        values = values.reshape(-1, values.shape[-1])
        held = np.flatnonzero(~np.isnan(values).all(axis=1))
        names = _row_names(dataset, dims, prefix)
        frequency = np.asarray(dataset["frequency"].values, np.float64)
        blocks[name] = Block(kind, unit, frequency, tuple(names[row] for row in held), values[held])
    for variable, dim in (("curve_method", "curve"), ("index_method", "index")):
        if variable in dataset:
            methods |= {str(n): str(m) for n, m in zip(dataset[dim].values, dataset[variable].values, strict=True)}
    gaps = json.loads(str(dataset.attrs.get("gaps") or "{}"))
    kind = str(dataset.attrs.get("level_kind", ""))
    return Content(about, device, title, kind, blocks, gaps, methods, numbers)


def _row_names(dataset: xr.Dataset, dims: Sequence[str], prefix: str) -> list[str]:
    """Name of each row by its coordinates: "horizontal 20°", "azimuth 10°, elevation -20°"."""
    parts = []
    for dim in dims:
        if dim in dataset.coords:
            parts.append([_label(dim, value, dataset[dim].attrs) for value in dataset[dim].values])
            continue
        along = [name for name, one in dataset.coords.items() if one.dims == (dim,)]
        labels = [
            [_label(str(name), value, dataset[name].attrs, True) for value in dataset[name].values] for name in along
        ]
        parts.append(
            [", ".join(one) for one in zip(*labels, strict=True)]
            if labels
            else [f"{dim} {number}" for number in range(1, dataset.sizes[dim] + 1)]
        )
    names = [" ".join(filter(None, (prefix, *row))) for row in itertools.product(*parts)]
    seen: dict[str, int] = {}
    for at, name in enumerate(names):
        seen[name] = seen.get(name, 0) + 1
        if seen[name] > 1:
            names[at] = f"{name} ({seen[name]})"
    return names


def _label(dim: str, value: Any, attrs: Mapping[Any, Any], always: bool = False) -> str:
    if isinstance(value, str):
        return value
    sign = _SIGNS.get(str(attrs.get("units", "")))
    text = f"{float(value):g}{sign or ''}"
    return text if sign and not always else f"{dim} {text}"


def _of_numbers(text: str, path: Path) -> Content:
    try:
        document = parsed(text)
    except ValueError as error:
        raise InputError.single(path, f"is not readable: {error}", "an output of a campaign") from None
    numbers = dict(_numbers(document, ()))
    if not numbers:
        raise InputError.single(path, "holds no numbers", "an object of quantities, each with its value")
    return Content("numbers", numbers=numbers)


def _numbers(document: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[tuple[str, Number]]:
    for name, entry in document.items():
        if not isinstance(entry, Mapping) or (not path and name == "receipt"):
            continue
        if "value" in entry:
            note = str(entry.get("note") or entry.get("reason") or "")
            unit = str(entry.get("unit") or "")
            yield ".".join((*path, name)), Number(entry["value"], unit, note)
            if entry.get("uncertainty") is not None:
                yield ".".join((*path, name, "uncertainty")), Number(entry["uncertainty"], unit)
        else:
            yield from _numbers(entry, (*path, name))


def _of_number_table(text: str, path: Path) -> list[Content]:
    """The table of the numbers of all devices: a line for each."""
    numbers: dict[str, dict[str, Number]] = {}
    titles: dict[str, str] = {}
    try:
        for row in csv.DictReader(io.StringIO(text, newline="")):
            if _ONE_PEAK.match(row["quantity"]):
                continue
            device, quantity, unit = row["device"], row["quantity"], row["unit"]
            titles[device] = row["device_title"]
            own = numbers.setdefault(device, {})
            own[quantity] = Number(_cell(row["value"]), unit, row["reason"])
            if row["uncertainty"]:
                own[f"{quantity}.uncertainty"] = Number(_cell(row["uncertainty"]), unit)
    except (KeyError, TypeError, csv.Error) as error:
        raise InputError.single(
            path, f"is not a whole table of numbers: {error}", "an unaltered results/numbers.csv"
        ) from None
    return [
        Content("numbers of all devices", device, titles[device], numbers=known) for device, known in numbers.items()
    ]


def _cell(text: str) -> float | str | None:
    try:
        return float(text) if text else None
    except ValueError:
        return text


def _of_table(text: str, path: Path) -> Content:
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
            raise ValueError("its frequencies do not rise")
    except ValueError as error:
        raise InputError.single(path, f"is not a whole table: {error}", "an unaltered table of curves") from None
    names = [name.removesuffix("_dB") for name in rows[0][1:]]
    blocks = {}
    for variable, kind in (("level", "curve"), ("directivity_index", "index"), ("uncertainty", "row")):
        columns = [
            at for at, name in enumerate(names, 1) if _kind_of_column(name) == kind and not np.isnan(data[:, at]).all()
        ]
        blocks[variable] = Block(kind, "dB", frequency, tuple(names[at - 1] for at in columns), data[:, columns].T)
    return Content("curves", blocks=blocks)


def _kind_of_column(name: str) -> str:
    return "row" if f"{name}_dB".endswith(UNCERTAINTY_COLUMN) else "index" if is_index(name) else "curve"


def is_index(name: str) -> bool:
    """Whether a name of the curve set is a directivity index, that is a difference of two curves."""
    return "_index" in name or name == "two_orbit_error"


def _plain(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


# Comparing.


def block_differences(old: Block, new: Block, least: float) -> tuple[list[Difference], str]:
    """Compare two blocks row by row.

    Parameters
    ----------
    old, new : Block
        Rows are matched by name.
    least : float
        dB; a row whose change is nowhere larger is the same. For other units :data:`SAME_NUMBER` holds.

    Returns
    -------
    differences : list of Difference
        In the order of the old block's rows, then of rows that appeared.
    remark : str
        How the frequencies were brought together, or why they could not be; empty if they are the same.
    """
    found = [Difference(old.kind, name, old.unit, "gone") for name in old.names if name not in set(new.names)]
    appeared = [Difference(new.kind, name, new.unit, "appeared") for name in new.names if name not in set(old.names)]
    place = {name: row for row, name in enumerate(new.names)}
    both = [(row, place[name]) for row, name in enumerate(old.names) if name in place]
    if not both:
        return [*found, *appeared], ""
    rows_old, rows_new = (np.array(rows) for rows in zip(*both, strict=True))
    frequency, before, after, remark = _together(old, new, old.values[rows_old], new.values[rows_new])
    if frequency.size:
        with np.errstate(invalid="ignore"):
            change = after - before
        change[before == after] = 0.0  # two levels of no sound at all are the same
        if old.unit == "degree":
            change = 180.0 - np.mod(180.0 - change, 360.0)
        lost, gained = np.isnan(after) & ~np.isnan(before), np.isnan(before) & ~np.isnan(after)
        limit = least if old.unit == "dB" else SAME_NUMBER * np.fmax(np.abs(before), np.abs(after))
        over = np.abs(np.nan_to_num(change, nan=0.0, posinf=np.inf, neginf=-np.inf)) > limit
        for row in np.flatnonzero((over | lost | gained).any(axis=1)):
            name = old.names[rows_old[row]]
            found.append(
                _difference(old.kind, name, old.unit, frequency, change[row], over[row], lost[row], gained[row])
            )
    order = {name: at for at, name in enumerate(old.names)}
    return [*sorted(found, key=lambda one: order[one.name]), *appeared], remark


def _together(old: Block, new: Block, before: Floats, after: Floats) -> tuple[Floats, Floats, Floats, str]:
    """Values of both sides on one frequency grid: their own, or the coarser one over the band that both have."""
    from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, resample
    from anechain.methods import versions

    a, b = old.frequency, new.frequency
    if a.size == b.size and np.allclose(a, b, rtol=SAME_FREQUENCY, atol=0):
        return a, before, after, ""
    nothing = np.empty(0)
    low, high = max(a[0], b[0]), min(a[-1], b[-1])
    grids = [grid[(grid >= low * (1 - SAME_FREQUENCY)) & (grid <= high * (1 + SAME_FREQUENCY))] for grid in (a, b)]
    if old.unit != "dB":
        return (
            nothing,
            before[:, :0],
            after[:, :0],
            f"the frequencies differ, and {old.unit or 'values'} are not interpolated",
        )
    if low > high or not all(grid.size for grid in grids):
        return nothing, before[:, :0], after[:, :0], "no band in common"
    coarser, side = (grids[0], "OLD") if grids[0].size <= grids[1].size else (grids[1], "NEW")
    version = versions(["resample-log-frequency"])["resample-log-frequency"]
    remark = (
        f"the frequencies differ: compared from {low:.5g} to {high:.5g} Hz only, at the {coarser.size} frequencies "
        f"of {side}, the coarser; the other side interpolated in dB over log frequency "
        f"(resample-log-frequency@{version})"
    )
    return coarser, resample(a, before, coarser), resample(b, after, coarser), remark


def _difference(
    kind: str,
    name: str,
    unit: str,
    frequency: Floats,
    change: Floats,
    over: NDArray[np.bool_],
    lost: NDArray[np.bool_],
    gained: NDArray[np.bool_],
) -> Difference:
    known = ~np.isnan(change)
    at = int(np.argmax(np.abs(np.where(known, change, 0.0))))
    share = _shares(frequency)
    finite = np.isfinite(change)
    rms = (
        math.sqrt(float((share * np.where(finite, change, 0.0) ** 2).sum() / share[finite].sum()))
        if finite.any()
        else math.nan
    )
    edges = np.flatnonzero(np.diff(over.astype(np.int8), prepend=0, append=0))
    return Difference(
        kind,
        name,
        unit,
        frequency=frequency,
        change=change,
        largest=float(change[at]) if known.any() else math.nan,
        at=float(frequency[at]) if known.any() else math.nan,
        rms=rms,
        bands=tuple(
            (float(frequency[first]), float(frequency[end - 1]))
            for first, end in zip(edges[::2], edges[1::2], strict=True)
        ),
        everywhere=bool(over[known].all() and over.any()),
        lost=int(lost.sum()),
        gained=int(gained.sum()),
    )


def _shares(frequency: Floats) -> Floats:
    """The length of the logarithmic axis that each frequency stands for: half way to its neighbours."""
    if frequency.size < 2:
        return np.ones(frequency.size)
    gap = np.diff(np.log(frequency))
    return np.asarray((np.r_[0.0, gap] + np.r_[gap, 0.0]) / 2)


def number_differences(old: Mapping[str, Number], new: Mapping[str, Number], least: float) -> list[Difference]:
    """Compare single values by name; a value in dB is the same within `least`, any other within 1e-9 of itself."""
    found = []
    for name in dict.fromkeys([*old, *new]):
        before, after = old.get(name), new.get(name)
        held = [one for one in (before, after) if one is not None and one.value is not None]
        if not held:
            continue
        unit = held[-1].unit
        was, is_ = (None if one is None else one.value for one in (before, after))
        if was is None or is_ is None:
            state = "appeared" if was is None else "gone"
        elif before is not None and after is not None and before.unit != after.unit:
            was, is_, unit, state = f"{was} {before.unit}", f"{is_} {after.unit}", "", "changed"
        elif _same(was, is_, least if unit == "dB" else None):
            continue
        else:
            state = "changed"
        change = float(is_) - float(was) if _is_number(was) and _is_number(is_) else math.nan
        found.append(Difference("number", name, unit, state, largest=change, old=was, new=is_))
    return found


def _same(old: Any, new: Any, least: float | None) -> bool:
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(_same(a, b, least) for a, b in zip(old, new, strict=True))
    if not _is_number(old) or not _is_number(new):
        return bool(old == new)
    limit = least if least is not None else SAME_NUMBER * max(abs(old), abs(new))
    return bool(old == new or abs(new - old) <= limit)


def _is_number(value: Any) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def shifted(content: Content, step: float) -> Content:
    """The same content with a step in dB added to its curves."""
    blocks = {
        name: Block(one.kind, one.unit, one.frequency, one.names, one.values + step) if one.kind == "curve" else one
        for name, one in content.blocks.items()
    }
    return Content(
        content.about,
        content.device,
        content.title,
        content.level_kind,
        blocks,
        content.gaps,
        content.methods,
        content.numbers,
    )


def empty_like(content: Content) -> Content:
    """The content of a file that is not there: the same blocks without rows."""
    blocks = {
        name: Block(one.kind, one.unit, one.frequency, (), one.values[:0]) for name, one in content.blocks.items()
    }
    return Content(content.about, content.device, content.title, content.level_kind, blocks)


def rows_of(contents: Iterable[Content], kind: str) -> int:
    """How many rows of a kind some contents hold together, each name once."""
    return len(
        {name for one in contents for block in one.blocks.values() if block.kind == kind for name in block.names}
    )
