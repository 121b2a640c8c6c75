"""Receipt in a netCDF file: the global attribute `receipt`, a string of variable length."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from anechain.receipts.canonical_json import canonical_json

__all__ = ["NETCDF_SIGNATURES", "blank_netcdf_receipt", "netcdf_digest", "netcdf_receipt"]

NETCDF_SIGNATURES = (b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x02", b"CDF\x05")
"""First bytes of netCDF files."""
_MAX_COMPRESSION_RATIO = 1032
"""Deflate packs at most 1032 bytes into one (RFC 1951: 258 bytes in 2 bits); a larger size means a damaged file."""


@contextmanager
def _open_dataset(path: Path) -> Iterator[Any]:
    import netCDF4

    try:
        with netCDF4.Dataset(path, "r") as dataset:
            yield dataset
    except ValueError:
        raise
    except OSError as error:
        raise ValueError(f"not a readable netCDF file: {error.strerror or error}") from None
    except Exception as error:  # the library raises many kinds of errors on a damaged file
        raise ValueError(f"not a readable netCDF file: {error}") from None


def netcdf_receipt(path: Path) -> str | None:
    """Return the receipt's text of a netCDF file, or None; ValueError if the file cannot be read."""
    with _open_dataset(path) as dataset:
        text = dataset.__dict__.get("receipt")
    return None if text is None else str(text)


def blank_netcdf_receipt(data: bytes, text: str) -> bytes:
    """Return the bytes of a netCDF file with the receipt's text overwritten by spaces, if the file contains it."""
    receipt = text.encode()
    return data.replace(receipt, b" " * len(receipt), 1)


def netcdf_digest(path: Path) -> str:
    """Return the SHA-256 of the content of a netCDF file without its receipt.

    The hash is taken over, in this order: the canonical JSON of the dimensions and global attributes; then for each
    variable, sorted by name, the canonical JSON of its name, dimensions, type and attributes, and its values: numbers
    as little-endian bytes, texts as canonical JSON. In attributes, NaN and infinities are the texts "NaN", "Infinity"
    and "-Infinity". A `_FillValue` of NaN is left out: it has no effect, and some software adds it.

    Raises
    ------
    ValueError
        If the file cannot be read, or has groups or types that no output has.
    """
    import numpy as np

    digest = hashlib.sha256()
    with _open_dataset(path) as dataset:
        if dataset.groups or dataset.cmptypes or dataset.vltypes or dataset.enumtypes:
            raise ValueError("it has groups or types that no output has")
        dataset.set_auto_maskandscale(False)
        attributes = {name: value for name, value in dataset.__dict__.items() if name != "receipt"}
        dimensions = {name: len(dimension) for name, dimension in dataset.dimensions.items()}
        digest.update(canonical_json({"dims": dimensions, "attrs": _attributes_as_json(attributes)}))
        max_size = path.stat().st_size * _MAX_COMPRESSION_RATIO
        for name in sorted(dataset.variables):
            variable = dataset.variables[name]
            if math.prod(variable.shape) > max_size:
                raise ValueError(f"the shape {variable.shape} of {name} is larger than the file can hold")
            values = np.asarray(variable[...])
            kind = "text" if values.dtype.kind in "OUS" else values.dtype.newbyteorder("<").str
            head = {
                "name": name,
                "dims": list(variable.dimensions),
                "type": kind,
                "attrs": _attributes_as_json(variable.__dict__),
            }
            digest.update(canonical_json(head))
            if kind == "text":
                digest.update(canonical_json(values.astype(str).tolist()))
            else:
                digest.update(np.ascontiguousarray(values.astype(values.dtype.newbyteorder("<"))).tobytes())
    return digest.hexdigest()


def _attributes_as_json(attributes: dict[str, Any]) -> dict[str, Any]:
    converted: dict[str, Any] = {}
    for name, value in attributes.items():
        plain = value.tolist() if hasattr(value, "tolist") else value
        if isinstance(plain, list):
            converted[name] = [_number_as_json(item) for item in plain]
        elif name != "_FillValue" or plain == plain:  # only NaN differs from itself
            converted[name] = _number_as_json(plain)
    return converted


def _number_as_json(value: Any) -> Any:
    if not isinstance(value, float) or math.isfinite(value):
        return value
    return "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"
