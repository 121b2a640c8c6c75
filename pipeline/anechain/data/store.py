"""Files in and out: whole or not at all, the same bytes for the same content, each output with its receipt."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.errors import InputError
from anechain.receipts.canonical_json import canonical, parsed
from anechain.receipts.file_formats import Format, format_of
from anechain.receipts.netcdf_receipt import NETCDF_SIGNATURES, netcdf_blanked, netcdf_digest, netcdf_receipt
from anechain.receipts.receipt import bound, check_form, check_structure, sha256_hex

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
    """Give a temporary file beside `path`; on success it is flushed to the disk and takes the place of `path`.

    On any failure the temporary file is removed and what was at `path` stays. The file's rights are those that the
    process gives to new files (umask).

    Raises
    ------
    InputError
        If the file cannot be written: no room, no right, a folder in its place.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(f".{secrets.token_hex(8)}.part")
        # 0o666 less the umask, as for any new file; the ready-made temporary files are for their owner alone.
        os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        try:
            yield temporary
            with temporary.open("rb") as file:
                os.fsync(file.fileno())
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError.single(
            path,
            f"cannot be written: {error.strerror or error}",
            "a place with room that you may write to",
            "make room or mend the rights, and run again",
        ) from None
    _settle(path.parent)


def _settle(folder: Path) -> None:
    """Flush a folder's list of files, where the file system can; the file itself is safe already."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_plain(path: Path, data: bytes) -> None:
    """Write bytes whole or not at all, and only if they differ, so that an unchanged file keeps its date.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    with suppress(OSError):
        if path.read_bytes() == data:
            return
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def write_artefact(path: Path, bare: bytes, receipt: Mapping[str, Any]) -> None:
    """Write an output that is not netCDF, with its receipt inside (SVG, PNG, PDF, CSV, JSON, HTML).

    Raises
    ------
    InputError
        If the file cannot be written.
    ValueError
        If it cannot carry a receipt, or carries one already.
    """
    format_ = format_of(bare, path.name)
    if format_ is None:
        raise ValueError(f"no way is known to put a receipt into {path.name}")
    content, there = format_.split(bare)
    if there is not None:
        raise ValueError(f"{path.name} carries a receipt already")
    text = canonical(bound(receipt, sha256_hex(content))).decode()
    data = format_.embed(bare, text)
    # What could not be read back later, by this or another name, must not be published.
    if format_of(data) is not format_ or format_.split(data) != (content, text):
        raise ValueError(f"the receipt of {path.name} could not be read back")
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def write_dataset(path: Path, dataset: xr.Dataset, receipt: Mapping[str, Any]) -> None:
    """Write a dataset as netCDF-4 with its receipt as global attribute; the same dataset gives the same bytes.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    import netCDF4

    # How the file it came from was packed, and that file's receipt, are no part of what it says.
    said = dataset.drop_encoding()
    said.attrs = {name: value for name, value in dataset.attrs.items() if name != "receipt"}
    encoding = {name: {"_FillValue": None} for name in said.variables if said[name].dtype.kind == "f"}
    with replacing(path) as temporary:
        with _library_writing():
            said.to_netcdf(temporary, engine="netcdf4", format="NETCDF4", encoding=encoding)
        content = netcdf_digest(temporary)
        blank = b" " * len(canonical(bound(receipt, content, content)))
        with _library_writing(), netCDF4.Dataset(temporary, "a") as file:
            file.setncattr_string("receipt", blank.decode())
        # The receipt holds the hash of the file around it, so it goes into its place in the finished file.
        data = temporary.read_bytes()
        text = canonical(bound(receipt, content, sha256_hex(data)))
        temporary.write_bytes(data.replace(blank, text, 1))
        if data.count(blank) != 1 or netcdf_receipt(temporary) != text.decode():
            raise ValueError(f"the receipt of {path.name} could not be read back")


@contextmanager
def _library_writing() -> Iterator[None]:
    try:
        yield
    except RuntimeError as error:  # all that the library says of a full disk is "HDF error"
        raise OSError(errno.EIO, f"{error}; most often the disk is full") from None


def read_dataset(path: Path) -> xr.Dataset:
    """Read a dataset into memory and close the file.

    Raises
    ------
    InputError
        If it is not there or no netCDF file, or a damaged one.
    """
    import xarray as xr

    try:
        with xr.open_dataset(path, engine="netcdf4", decode_times=False) as dataset:
            return dataset.load()
    except Exception as error:  # the libraries give up on a damaged file in any way there is
        reason = error.strerror if isinstance(error, OSError) else None
        raise InputError.single(
            path, f"cannot be read: {reason or error}", "a netCDF file", "run the campaign again"
        ) from None


@dataclass(frozen=True)
class Examined:
    """What a file says of itself and whether it still is what it says.

    Attributes
    ----------
    receipt : dict or None
        None if the file carries none that can be read; see :func:`anechain.receipts.receipt.check_form`.
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
    InputError
        If the file cannot be opened, or is of a format that no output has.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError.single(
            path, f"cannot be read: {error.strerror or error}", fix="give the path of an output"
        ) from None
    try:
        if data.startswith(NETCDF_SIGNATURES):
            carrier, text = "global attribute “receipt”", netcdf_receipt(path)
            content = "" if text is None else netcdf_digest(path)
            format_ = None
        else:
            format_ = format_of(data, path.name)
            if format_ is None:
                raise InputError.single(
                    path, "is of no format that carries a receipt", "netCDF, SVG, PNG, PDF, CSV, JSON or HTML"
                )
            carrier = format_.carrier
            bare, text = format_.split(data)
            content = sha256_hex(bare)
    except ValueError as error:
        return Examined(None, "", (f"the file is damaged: {error}",))
    if text is None:
        return Examined(None, carrier, ("the file carries no receipt",))
    try:
        receipt = parsed(text)
    except ValueError as error:
        return Examined(None, carrier, (f"the receipt is not readable: {error}",))
    if wrong := check_form(receipt):
        return Examined(None, carrier, tuple(wrong))
    wrong = check_structure(receipt)
    same = receipt["content"] == content
    if not same:
        wrong.append("the content is not what the receipt vouches for")
    if format_ is None:
        untouched = not same or receipt.get("file") == sha256_hex(netcdf_blanked(data, text))
    else:
        untouched = _as_embedded(format_, bare, text, data)
    # One number can be written in several ways, of which the canonical form is one.
    untouched = untouched and text == canonical(receipt).decode()
    if not untouched:
        wrong.append(
            "the file was written again by other software"
            + (", or damaged in a place that holds none of its content" if same else "")
        )
    return Examined(receipt, carrier, tuple(wrong))


def _as_embedded(format_: Format, bare: bytes, text: str, data: bytes) -> bool:
    """Whether a file is, byte for byte, its bare content with its receipt put in; in JSON the layout does not count."""
    try:
        return format_.name == "JSON" or format_.embed(bare, text) == data
    except ValueError:
        return False


def read_receipt(path: Path) -> dict[str, Any]:
    """Return the receipt of an intact output.

    Raises
    ------
    InputError
        If it carries none, or the file is not what its receipt says.
    """
    examined = examine(path)
    if examined.wrong or examined.receipt is None:
        raise InputError.single(
            path, "; ".join(examined.wrong), "an unaltered output", "remove it and run the campaign again"
        )
    return examined.receipt


def is_current(path: Path, stamp: str) -> bool:
    """Say whether an output is there, unaltered, and made by the step with this stamp."""
    if not path.is_file():
        return False
    try:
        examined = examine(path)
    except InputError:
        return False
    return not examined.wrong and examined.receipt is not None and examined.receipt["stamp"] == stamp
