"""Problems of a dataset that breaks its contract, in print: the errors of pandera, and wrong units."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.data.contract_spec import Contract, FieldSpec
from anechain.errors import Problem

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["contract_problems", "unit_problems"]


def contract_problems(errors: Any, spec: Contract, dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Return the errors of pandera as problems: field, value, position, accepted values, and how to fix it.

    Parameters
    ----------
    errors : iterable of pandera.errors.SchemaError
    spec : Contract
    dataset : xarray.Dataset
    where : str
        The file or the device, for the messages.
    """
    fields: dict[str, FieldSpec] = {**spec.coordinates, **spec.variables}
    for error in errors:
        message = str(error).strip()
        name = getattr(error.schema, "name", None)
        check = str(getattr(error.check, "name", error.check))
        if check in ("coords", "data_var_presence"):
            absent = str(error.failure_cases)
            yield Problem(where, f"{absent} is absent", fields[absent].about, f"return {absent} in the importer")
        elif check in ("strict_attrs", "strict_coords", "strict_data_vars"):
            yield from _unknown_names(check, spec, dataset, where)
        elif name in fields and check == "range":
            yield _range_problem(name, fields[name], dataset, where)
        elif name in fields and check in ("not_nullable", "nullable"):
            yield _missing_problem(name, dataset, where)
        elif name in fields and check == "dims":
            expected = ", ".join(spec.dims(name))
            found = ", ".join(map(str, dataset[name].dims)) or "no dimension"
            yield Problem(where, f"{name} has {found}", expected, f"transpose {name} in the importer")
        elif name in fields and check.startswith("dtype"):
            expected = f"float64, {fields[name].expected()}"
            yield Problem(
                where, f"{name} is of type {dataset[name].dtype}", expected, f"convert {name} in the importer"
            )
        elif (attribute := message.split(":", 1)[0].removeprefix("dataset ")) in spec.attributes:
            found = f"is {dataset.attrs[attribute]!r}" if attribute in dataset.attrs else "is absent"
            yield Problem(
                where,
                f"attribute {attribute} {found}",
                spec.attributes[attribute].expected(),
                f"state it in the campaign's setup or return it in the importer ({spec.attributes[attribute].about})",
            )
        else:
            subject = f"{name}: " if name in fields else ""
            yield Problem(
                where,
                f"{subject}{message.splitlines()[0]}",
                f"what contract {spec.name} describes",
                "correct the importer",
            )


def _unknown_names(check: str, spec: Contract, dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    known: list[str]
    kind, present, known = {
        "strict_attrs": ("attribute", list(dataset.attrs), list(spec.attributes)),
        "strict_coords": ("coordinate", list(dataset.coords), list(spec.coordinates)),
        "strict_data_vars": ("variable", list(dataset.data_vars), list(spec.variables)),
    }[check]
    for name in present:
        if name not in known:
            close = difflib.get_close_matches(str(name).lower(), known, n=1)
            fix = f"did you mean {close[0]}?" if close else "remove it in the importer"
            yield Problem(where, f"{kind} {name} is unknown", ", ".join(known), fix)


def _first_position(name: str, bad: np.ndarray[Any, Any], dataset: xr.Dataset) -> str:
    first = np.unravel_index(int(np.argmax(bad)), bad.shape)
    parts = []
    for dim, row in zip(dataset[name].dims, first, strict=True):
        if dim in dataset.coords and dim != name:
            value = dataset[dim].values[row]
            unit = {"frequency": " Hz", "angle": "°"}.get(str(dim), "")
            parts.append(f"{value:g}{unit}" if isinstance(value, float | np.floating) else str(value))
    return " ".join(parts)


def _range_problem(name: str, field: FieldSpec, dataset: xr.Dataset, where: str) -> Problem:
    values = np.asarray(dataset[name].values)
    bad = field.outside(values)
    value = values[np.unravel_index(int(np.argmax(bad)), bad.shape)]
    shown = f"{value:g}" if isinstance(value, float | np.floating) else str(value)
    position = _first_position(name, bad, dataset)
    others = int(bad.sum()) - 1
    more = f", and {others} more value{'s' if others > 1 else ''}" if others else ""
    return Problem(
        where,
        f"{name} is {shown}{f' at {position}' if position else ''}{more}",
        field.expected(),
        "check the raw file there: the usual cause is a wrong column, unit or scale",
    )


def _missing_problem(name: str, dataset: xr.Dataset, where: str) -> Problem:
    bad = np.asarray(dataset[name].isnull().values)
    position = _first_position(name, bad, dataset)
    values = f"{int(bad.sum())} missing value{'s' if bad.sum() > 1 else ''}"
    return Problem(
        where,
        f"{name} has {values}{f', the first at {position}' if position else ''}",
        "a number everywhere",
        "check the raw file there",
    )


def unit_problems(dataset: xr.Dataset, spec: Contract, where: str) -> Iterator[Problem]:
    """Return a problem for each field in another unit than the contract states; parameters as above."""
    for name, field in {**spec.coordinates, **spec.variables}.items():
        if name in dataset.variables and field.unit and dataset[name].attrs.get("units") != field.unit:
            found = dataset[name].attrs.get("units", "no unit")
            yield Problem(where, f"{name} is in {found}", field.unit, f"convert {name} in the importer")
