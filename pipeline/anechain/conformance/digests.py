"""Digests of readings: whether two readings hold the same, to the last bit."""

from __future__ import annotations

import hashlib
import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.importing.hooks import Reading

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["reading_digest", "reading_summary", "report_without_numbers"]


def _datasets(reading: Reading) -> dict[str, xr.Dataset]:
    values = {field.name: getattr(reading, field.name) for field in fields(reading)}
    return {name: value for name, value in values.items() if hasattr(value, "data_vars")}


def reading_digest(reading: Reading) -> str:
    """Return a hash of all that a reading holds, except its report."""
    datasets = _datasets(reading)
    others = [field.name for field in fields(reading) if field.name not in {*datasets, "report"}]
    digest = hashlib.sha256(repr([(name, getattr(reading, name)) for name in others]).encode())
    for kind, dataset in sorted(datasets.items()):
        digest.update(repr((kind, sorted(map(repr, dataset.attrs.items())))).encode())
        for name in sorted(map(str, dataset.variables)):
            variable = dataset[name]
            values = np.asarray(variable.values)
            is_text = values.dtype.kind in "OUS"
            digest.update(repr((name, variable.dims, values.shape, "text" if is_text else values.dtype.str)).encode())
            digest.update(repr(values.astype(str).tolist()).encode() if is_text else values.tobytes())
    return digest.hexdigest()


def report_without_numbers(reading: Reading) -> set[str]:
    """Return the lines of the report without digits: a changed count of files does not prove that a file was used."""
    return {re.sub(r"[0-9]+", "", str(line)) for line in reading.report}


def reading_summary(reading: Reading) -> dict[str, Any]:
    """Return the digest and the report of a reading, as JSON can hold them."""
    return {"datasets": reading_digest(reading), "report": list(map(str, reading.report))}
