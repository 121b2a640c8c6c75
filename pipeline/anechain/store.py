"""Files in and out: whole or not at all, the same bytes for the same content, each output with its receipt."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.embedding import NETCDF_SIGNATURES, canonical, format_of, netcdf_digest, netcdf_receipt
from anechain.errors import Refusal
from anechain.receipts import bound, check_structure, sha256_hex

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "Examined",
    "examine",
    "is_current",
    "read_dataset",
    "read_receipt",
    "replacing",
    "sha256_file",
    "write_artefact",
    "write_dataset",
    "write_plain",
]


def sha256_file(path: Path) -> str:
    """SHA-256 of a file as 64 hex digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary name beside `path`; on success it is flushed to the disk and takes the place of `path`.

    On any failure the temporary file is removed and what was at `path` stays.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        with temporary.open("rb") as file:
            os.fsync(file.fileno())
        temporary.chmod(0o644)
        temporary.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_plain(path: Path, data: bytes) -> None:
    """Write bytes whole or not at all, and only if they differ, so that an unchanged file keeps its date."""
    if path.is_file() and path.read_bytes() == data:
        return
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def write_artefact(path: Path, bare: bytes, receipt: Mapping[str, Any]) -> None:
    """Write an output that is not netCDF, with its receipt inside (SVG, PNG, PDF, CSV, JSON, HTML)."""
    format_ = format_of(bare, path.name)
    if format_ is None:
        raise ValueError(f"no way is known to put a receipt into {path.name}")
    content, _ = format_.split(bare)
    data = format_.embed(bare, canonical(bound(receipt, sha256_hex(content))).decode())
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def write_dataset(path: Path, dataset: xr.Dataset, receipt: Mapping[str, Any]) -> None:
    """Write a dataset as netCDF-4 with its receipt as global attribute; the same dataset gives the same bytes."""
    import netCDF4

    encoding = {name: {"_FillValue": None} for name in dataset.variables if dataset[name].dtype.kind == "f"}
    with replacing(path) as temporary:
        dataset.to_netcdf(temporary, engine="netcdf4", format="NETCDF4", encoding=encoding)
        text = canonical(bound(receipt, netcdf_digest(temporary))).decode()
        with netCDF4.Dataset(temporary, "a") as file:
            file.setncattr_string("receipt", text)


def read_dataset(path: Path) -> xr.Dataset:
    """Read a dataset into memory and close the file."""
    import xarray as xr

    try:
        with xr.open_dataset(path, engine="netcdf4", decode_times=False) as dataset:
            return dataset.load()
    except (OSError, RuntimeError, ValueError) as error:
        raise Refusal.because(path, f"cannot be read: {error}", "a netCDF file", "run the campaign again") from None


@dataclass(frozen=True)
class Examined:
    """What a file says of itself and whether it still is what it says.

    Attributes
    ----------
    receipt : dict or None
        None if the file carries none.
    carrier : str
        Where in the file the receipt is.
    wrong : tuple of str
        What does not hold; empty for an intact file.
    """

    receipt: dict[str, Any] | None
    carrier: str
    wrong: tuple[str, ...]


def examine(path: Path) -> Examined:
    """Read a file's receipt from the file alone and check both against each other.

    Raises
    ------
    Refusal
        If the file cannot be opened, or is of a format that no output has.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise Refusal.because(path, f"cannot be read: {error.strerror}", mend="give the path of an output") from None
    try:
        if data.startswith(NETCDF_SIGNATURES):
            carrier, text = "global attribute “receipt”", netcdf_receipt(path)
            content = netcdf_digest(path)
            whole = True
        else:
            format_ = format_of(data, path.name)
            if format_ is None:
                raise Refusal.because(
                    path, "is of no format that carries a receipt", "netCDF, SVG, PNG, PDF, CSV, JSON or HTML"
                )
            carrier = format_.carrier
            bare, text = format_.split(data)
            content = sha256_hex(bare)
            whole = text is None or format_.name == "JSON" or format_.embed(bare, text) == data
    except ValueError as error:
        return Examined(None, "", (f"the file is damaged: {error}",))
    if text is None:
        return Examined(None, carrier, ("the file carries no receipt",))
    try:
        receipt = json.loads(text)
    except ValueError:
        return Examined(None, carrier, ("the receipt is not readable",))
    wrong = check_structure(receipt)
    if not wrong and receipt["content"] != content:
        wrong.append("the content is not what the receipt vouches for")
    if not whole:
        wrong.append("the file was written again by other software")
    return Examined(receipt if isinstance(receipt, dict) else None, carrier, tuple(wrong))


def read_receipt(path: Path) -> dict[str, Any]:
    """Return the receipt of an intact output.

    Raises
    ------
    Refusal
        If it carries none, or the file is not what its receipt says.
    """
    examined = examine(path)
    if examined.wrong or examined.receipt is None:
        raise Refusal.because(
            path, "; ".join(examined.wrong), "an unaltered output", "remove it and run the campaign again"
        )
    return examined.receipt


def is_current(path: Path, stamp: str) -> bool:
    """Say whether an output is there, unaltered, and made by the step with this stamp."""
    if not path.is_file():
        return False
    try:
        examined = examine(path)
    except Refusal:
        return False
    return not examined.wrong and examined.receipt is not None and examined.receipt["stamp"] == stamp
