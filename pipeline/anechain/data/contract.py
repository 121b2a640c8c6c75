"""The data contract: what a dataset must be, compiled from versioned YAML to pandera, with errors for a person.

Validation never changes data and gathers every failure. It is the first thing that happens to imported data.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, create_model

from anechain.data.rules import RULES
from anechain.errors import InputError, Problem

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["AttributeSpec", "Contract", "CoordinateSpec", "VariableSpec", "describe", "load", "validate"]

Kind = Literal["text", "number", "integer"]


class _Spec(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _FieldSpec(_Spec):
    about: str
    kind: Kind
    unit: str | None = None
    choices: tuple[str, ...] | None = None
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    required: bool = True

    def allowed(self) -> str:
        """Say in words which values are accepted."""
        if self.choices:
            return " or ".join(self.choices)
        bounds = [
            f"above {self.above:g}" if self.above is not None else "",
            f"at least {self.at_least:g}" if self.at_least is not None else "",
            f"at most {self.at_most:g}" if self.at_most is not None else "",
        ]
        range_ = " and ".join(bound for bound in bounds if bound)
        kind = {"text": "text", "number": "a number", "integer": "a whole number"}[self.kind]
        unit = f" {self.unit}" if self.unit and self.unit != "1" else ""
        return f"{kind} {range_}{unit}".rstrip() if range_ else kind

    def outside(self, values: np.ndarray[Any, Any]) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """Mark values that are not accepted; a missing value (NaN or None) is not judged here."""
        if self.kind == "text":
            judged = [
                value is not None
                and value == value
                and not (isinstance(value, str) and value in (self.choices or (value,)))
                for value in values.ravel()
            ]
            return np.array(judged, dtype=np.bool_).reshape(values.shape)
        if values.dtype.kind not in "biuf":
            # Of a number, which has one type only, the type itself is refused; that is enough.
            return np.full(values.shape, self.kind == "integer", dtype=np.bool_)
        bad: np.ndarray[Any, np.dtype[np.bool_]] = np.isinf(values)
        if self.kind == "integer":
            bad |= np.isfinite(values) & (np.rint(values) != values)
        if self.above is not None:
            bad |= values <= self.above
        if self.at_least is not None:
            bad |= values < self.at_least
        if self.at_most is not None:
            bad |= values > self.at_most
        return bad


class CoordinateSpec(_FieldSpec):
    """A coordinate: its kind, range and dimensions (its own name if not given)."""

    dims: tuple[str, ...] | None = None


class VariableSpec(_FieldSpec):
    """A data variable: its kind, range, dimensions, and whether NaN may stand for a missing value."""

    dims: tuple[str, ...]
    missing: bool = False


class AttributeSpec(_FieldSpec):
    """A global attribute."""


class Contract(_Spec):
    """One version of the contract of one kind of dataset."""

    contract: str
    version: int
    about: str
    coordinates: dict[str, CoordinateSpec]
    variables: dict[str, VariableSpec]
    attributes: dict[str, AttributeSpec]
    rules: tuple[str, ...] = Field(default=())

    @property
    def name(self) -> str:
        """Name and version, as the attribute `contract` of a dataset states them."""
        return f"{self.contract}/{self.version}"


def _versions(contract: str) -> dict[int, str]:
    """Files of a contract by version."""
    import anechain_schemas

    names = [name.rsplit("-", 1) for name in anechain_schemas.available()]
    return {int(version): f"{name}-{version}" for name, version in names if name == contract}


@cache
def load(contract: str, version: int | None = None) -> Contract:
    """Read a contract; the newest version unless one is given.

    Raises
    ------
    KeyError
        If there is no such contract or version.
    """
    from ruamel.yaml import YAML

    import anechain_schemas

    found = _versions(contract)
    if not found or (version is not None and version not in found):
        raise KeyError(f"no contract {contract!r} version {version}; versions known: {sorted(found)}")
    text = anechain_schemas.text(f"{found[version or max(found)]}.yaml")
    spec = Contract.model_validate(YAML(typ="safe", pure=True).load(text))
    unknown = [rule for rule in spec.rules if rule not in RULES]
    if unknown:
        raise KeyError(f"contract {spec.name} names rules that do not exist: {unknown}")
    return spec


def describe(dataset: xr.Dataset, contract: str) -> xr.Dataset:
    """Return the dataset with units and long names as the contract states them, and the contract's name."""
    spec = load(contract)
    named = dataset.copy()
    for name, field in {**spec.coordinates, **spec.variables}.items():
        if name in named.variables:
            named[name].attrs = {"long_name": field.about} | ({"units": field.unit} if field.unit else {})
    named.attrs["contract"] = spec.name
    return named


def validate(dataset: xr.Dataset, contract: str, where: str) -> None:
    """Check a dataset against its contract.

    Parameters
    ----------
    dataset : xarray.Dataset
        Left as it is.
    contract : str
        Which contract; its version is taken from the dataset's attribute `contract`, so older data stay readable.
    where : str
        The file, or the device, for the messages.

    Raises
    ------
    InputError
        With every failure: field, what was found and where, what is allowed, how to mend it.
    """
    from pandera.config import ValidationDepth, config_context
    from pandera.errors import SchemaErrors

    stated = dataset.attrs.get("contract")
    known = {f"{contract}/{version}": version for version in _versions(contract)}
    if isinstance(stated, str) and stated not in known:
        raise InputError.single(
            where,
            f"attribute contract is {stated!r}",
            " or ".join(known),
            "read it with the version of the software that wrote it, or a newer one"
            if stated.startswith(f"{contract}/")
            else f"give a dataset of {contract}",
        )
    # Without a version the newest is asked; it says that the attribute is wanting.
    spec = load(contract, known[stated] if isinstance(stated, str) else None)
    problems: list[Problem] = []
    # The environment can switch pandera off, and chunked data would skip the value checks: neither may happen here.
    with config_context(validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA):
        try:
            _compiled(spec.contract, spec.version).validate(dataset, lazy=True)
        except SchemaErrors as errors:
            problems.extend(_reworded(errors.schema_errors, spec, dataset, where))
    problems.extend(_units(dataset, spec, where))
    if not problems:
        # The rules rely on the shape of the data, so they are asked only of data whose shape is right.
        problems = [problem for rule in spec.rules for problem in RULES[rule](dataset, where)]
    if problems:
        raise InputError(dict.fromkeys(problems))


@cache
def _compiled(contract: str, version: int) -> Any:
    import pandera.xarray as pandera

    spec = load(contract, version)

    dtypes = {"text": None, "number": "float64", "integer": None}

    def checks(field: _FieldSpec) -> list[Any]:
        def inside(values: Any) -> Any:
            return values.copy(data=~field.outside(np.asarray(values)))

        return [pandera.Check(inside, name="range", n_failure_cases=1)]

    return pandera.DatasetSchema(
        name=spec.contract,
        strict=True,
        strict_coords=True,
        strict_attrs=True,
        attrs=_attributes_model(spec),
        coords={
            name: pandera.Coordinate(
                dtype=dtypes[field.kind], dims=field.dims or (name,), checks=checks(field), required=field.required
            )
            for name, field in spec.coordinates.items()
        },
        data_vars={
            name: pandera.DataVar(
                dtype=dtypes[field.kind],
                dims=field.dims,
                nullable=field.missing,
                required=field.required,
                checks=checks(field),
            )
            for name, field in spec.variables.items()
        },
    )


def _attributes_model(spec: Contract) -> type[BaseModel]:
    def plain(value: Any) -> Any:
        # netCDF gives numbers back as numpy's.
        return value.item() if isinstance(value, np.generic) else value

    fields: dict[str, Any] = {}
    for name, field in spec.attributes.items():
        kind: Any = {"text": str, "number": float, "integer": int}[field.kind]
        if field.choices:
            kind = Literal[field.choices]
        limits = Field(
            default=... if field.required else None,
            gt=field.above,
            ge=field.at_least,
            le=field.at_most,
            allow_inf_nan=None if kind is not float else False,
        )
        fields[name] = (Annotated[kind, BeforeValidator(plain)], limits)
    model = create_model("Attributes", __config__=ConfigDict(extra="ignore", strict=True), **fields)
    return cast("type[BaseModel]", model)


def _reworded(errors: Any, spec: Contract, dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    fields: dict[str, _FieldSpec] = {**spec.coordinates, **spec.variables}
    for error in errors:
        message = str(error).strip()
        name = getattr(error.schema, "name", None)
        check = str(getattr(error.check, "name", error.check))
        if check in ("coords", "data_var_presence"):
            absent = str(error.failure_cases)
            yield Problem(where, f"{absent} is absent", fields[absent].about, f"give {absent} in the importer")
        elif check in ("strict_attrs", "strict_coords", "strict_data_vars"):
            yield from _unknown(check, spec, dataset, where)
        elif name in fields and check == "range":
            yield _range_problem(name, fields[name], dataset, where)
        elif name in fields and check in ("not_nullable", "nullable"):
            yield _missing_problem(name, dataset, where)
        elif name in fields and check == "dims":
            allowed = ", ".join(_dims(name, spec))
            found = ", ".join(map(str, dataset[name].dims)) or "no dimension"
            yield Problem(where, f"{name} has {found}", allowed, f"bring {name} into this order in the importer")
        elif name in fields and check.startswith("dtype"):
            allowed = f"float64, {fields[name].allowed()}"
            yield Problem(where, f"{name} is of type {dataset[name].dtype}", allowed, f"convert {name} in the importer")
        elif (attribute := message.split(":", 1)[0].removeprefix("dataset ")) in spec.attributes:
            found = f"is {dataset.attrs[attribute]!r}" if attribute in dataset.attrs else "is absent"
            yield Problem(
                where,
                f"attribute {attribute} {found}",
                spec.attributes[attribute].allowed(),
                f"state it in the campaign's setup or let the importer give it ({spec.attributes[attribute].about})",
            )
        else:
            subject = f"{name}: " if name in fields else ""
            yield Problem(
                where,
                f"{subject}{message.splitlines()[0]}",
                f"what contract {spec.name} describes",
                "correct the importer",
            )


def _dims(name: str, spec: Contract) -> tuple[str, ...]:
    if name in spec.variables:
        return spec.variables[name].dims
    return spec.coordinates[name].dims or (name,)


def _unknown(check: str, spec: Contract, dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    known: list[str]
    kind, present, known = {
        "strict_attrs": ("attribute", list(dataset.attrs), list(spec.attributes)),
        "strict_coords": ("coordinate", list(dataset.coords), list(spec.coordinates)),
        "strict_data_vars": ("variable", list(dataset.data_vars), list(spec.variables)),
    }[check]
    for name in present:
        if name not in known:
            close = difflib.get_close_matches(str(name).lower(), known, n=1)
            fix = f"did you mean {close[0]}?" if close else "leave it out in the importer"
            yield Problem(where, f"{kind} {name} is unknown", ", ".join(known), fix)


def _located(name: str, bad: np.ndarray[Any, Any], dataset: xr.Dataset) -> str:
    first = np.unravel_index(int(np.argmax(bad)), bad.shape)
    parts = []
    for dim, at in zip(dataset[name].dims, first, strict=True):
        if dim in dataset.coords and dim != name:
            value = dataset[dim].values[at]
            unit = {"frequency": " Hz", "angle": "°"}.get(str(dim), "")
            parts.append(f"{value:g}{unit}" if isinstance(value, float | np.floating) else str(value))
    return " ".join(parts)


def _range_problem(name: str, field: _FieldSpec, dataset: xr.Dataset, where: str) -> Problem:
    values = np.asarray(dataset[name].values)
    bad = field.outside(values)
    value = values[np.unravel_index(int(np.argmax(bad)), bad.shape)]
    shown = f"{value:g}" if isinstance(value, float | np.floating) else str(value)
    place = _located(name, bad, dataset)
    others = int(bad.sum()) - 1
    more = f", and {others} more value{'s' if others > 1 else ''}" if others else ""
    return Problem(
        where,
        f"{name} is {shown}{f' at {place}' if place else ''}{more}",
        field.allowed(),
        "look at the raw file there: a wrong column, unit or scale is the usual cause",
    )


def _missing_problem(name: str, dataset: xr.Dataset, where: str) -> Problem:
    bad = np.asarray(dataset[name].isnull().values)
    place = _located(name, bad, dataset)
    values = f"{int(bad.sum())} missing value{'s' if bad.sum() > 1 else ''}"
    return Problem(
        where,
        f"{name} has {values}{f', the first at {place}' if place else ''}",
        "a number everywhere",
        "look at the raw file there",
    )


def _units(dataset: xr.Dataset, spec: Contract, where: str) -> Iterator[Problem]:
    for name, field in {**spec.coordinates, **spec.variables}.items():
        if name in dataset.variables and field.unit and dataset[name].attrs.get("units") != field.unit:
            found = dataset[name].attrs.get("units", "no unit")
            yield Problem(where, f"{name} is in {found}", field.unit, f"convert {name} in the importer")
