"""The data contract: what a dataset must contain, compiled from versioned YAML to pandera.

Validation never changes data and reports every problem. It is the first step after import.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, create_model

from anechain.data.contract_problems import contract_problems, unit_problems
from anechain.data.contract_spec import Contract, FieldSpec
from anechain.data.rules import RULES
from anechain.errors import InputError, Problem

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["describe", "load", "validate"]


def _versions(contract: str) -> dict[int, str]:
    """Return the files of a contract by version."""
    import anechain_schemas

    names = [name.rsplit("-", 1) for name in anechain_schemas.available()]
    return {int(version): f"{name}-{version}" for name, version in names if name == contract}


@cache
def load(contract: str, version: int | None = None) -> Contract:
    """Return a contract; its newest version by default.

    Raises
    ------
    KeyError
        If there is no such contract or version.
    """
    import yaml

    import anechain_schemas

    files = _versions(contract)
    if not files or (version is not None and version not in files):
        raise KeyError(f"no contract {contract!r} version {version}; versions known: {sorted(files)}")
    text = anechain_schemas.text(f"{files[version or max(files)]}.yaml")
    spec = Contract.model_validate(yaml.load(text, Loader=yaml.CSafeLoader))
    unknown = [rule for rule in spec.rules if rule not in RULES]
    if unknown:
        raise KeyError(f"contract {spec.name} names rules that do not exist: {unknown}")
    return spec


def describe(dataset: xr.Dataset, contract: str) -> xr.Dataset:
    """Return a dataset with units, long names and the name of the contract, as the contract states them."""
    spec = load(contract)
    described = dataset.copy()
    for name, field in {**spec.coordinates, **spec.variables}.items():
        if name in described.variables:
            described[name].attrs = {"long_name": field.about} | ({"units": field.unit} if field.unit else {})
    described.attrs["contract"] = spec.name
    return described


def validate(dataset: xr.Dataset, contract: str, where: str) -> None:
    """Check a dataset against its contract.

    Parameters
    ----------
    dataset : xarray.Dataset
        It is not changed.
    contract : str
        Name of the contract; its version is that of the attribute `contract`, so that older data remain readable.
    where : str
        The file or the device, for the messages.

    Raises
    ------
    InputError
        With every problem: field, value and position, accepted values, and how to fix it.
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
            else f"use a dataset of {contract}",
        )
    # Without a version the newest one is used, which reports that the attribute is absent.
    spec = load(contract, known[stated] if isinstance(stated, str) else None)
    problems: list[Problem] = []
    # The environment could disable pandera, and chunked data would skip the checks of values: neither is allowed here.
    with config_context(validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA):
        try:
            _compiled(spec.contract, spec.version).validate(dataset, lazy=True)
        except SchemaErrors as errors:
            problems.extend(contract_problems(errors.schema_errors, spec, dataset, where))
    problems.extend(unit_problems(dataset, spec, where))
    if not problems:
        # The rules need data of the correct shape.
        problems = [problem for rule in spec.rules for problem in RULES[rule](dataset, where)]
    if problems:
        raise InputError(dict.fromkeys(problems))


@cache
def _compiled(contract: str, version: int) -> Any:
    import pandera.xarray as pandera

    spec = load(contract, version)

    dtypes = {"text": None, "number": "float64", "integer": None}

    def checks(field: FieldSpec) -> list[Any]:
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
    def python_value(value: Any) -> Any:
        # Numbers of a netCDF file are numpy scalars.
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
        fields[name] = (Annotated[kind, BeforeValidator(python_value)], limits)
    model = create_model("Attributes", __config__=ConfigDict(extra="ignore", strict=True), **fields)
    return cast("type[BaseModel]", model)
