"""What a data contract states: coordinates, variables and attributes of a dataset, and the values they accept."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

__all__ = ["AttributeSpec", "Contract", "CoordinateSpec", "FieldSpec", "VariableSpec"]

Kind = Literal["text", "number", "integer"]


class _Spec(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FieldSpec(_Spec):
    """What coordinates, variables and attributes have in common."""

    about: str
    kind: Kind
    unit: str | None = None
    choices: tuple[str, ...] | None = None
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    required: bool = True

    def expected(self) -> str:
        """Return which values are accepted, in print."""
        if self.choices:
            return " or ".join(self.choices)
        bounds = [
            f"above {self.above:g}" if self.above is not None else "",
            f"at least {self.at_least:g}" if self.at_least is not None else "",
            f"at most {self.at_most:g}" if self.at_most is not None else "",
        ]
        limits = " and ".join(bound for bound in bounds if bound)
        kind = {"text": "text", "number": "a number", "integer": "a whole number"}[self.kind]
        unit = f" {self.unit}" if self.unit and self.unit != "1" else ""
        return f"{kind} {limits}{unit}".rstrip() if limits else kind

    def outside(self, values: np.ndarray[Any, Any]) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """Mark values that are not accepted; missing values (NaN or None) are checked elsewhere."""
        if self.kind == "text":
            not_accepted = [
                value is not None
                and value == value
                and not (isinstance(value, str) and value in (self.choices or (value,)))
                for value in values.ravel()
            ]
            return np.array(not_accepted, dtype=np.bool_).reshape(values.shape)
        if values.dtype.kind not in "biuf":
            # For a number, the wrong type is reported by itself.
            return np.full(values.shape, self.kind == "integer", dtype=np.bool_)
        rejected: np.ndarray[Any, np.dtype[np.bool_]] = np.isinf(values)
        if self.kind == "integer":
            rejected |= np.isfinite(values) & (np.rint(values) != values)
        if self.above is not None:
            rejected |= values <= self.above
        if self.at_least is not None:
            rejected |= values < self.at_least
        if self.at_most is not None:
            rejected |= values > self.at_most
        return rejected


class CoordinateSpec(FieldSpec):
    """A coordinate: its kind, range and dimensions (by default its own name)."""

    dims: tuple[str, ...] | None = None


class VariableSpec(FieldSpec):
    """A data variable: its kind, range, dimensions, and whether values may be missing (NaN)."""

    dims: tuple[str, ...]
    missing: bool = False


class AttributeSpec(FieldSpec):
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

    def dims(self, name: str) -> tuple[str, ...]:
        """Return the dimensions of a variable or coordinate."""
        if name in self.variables:
            return self.variables[name].dims
        return self.coordinates[name].dims or (name,)

    @property
    def name(self) -> str:
        """Name and version, as the attribute `contract` of a dataset states them."""
        return f"{self.contract}/{self.version}"
