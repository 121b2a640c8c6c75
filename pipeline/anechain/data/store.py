"""Read and write files: atomically, the same bytes for the same content, each output with its receipt."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.errors import InputError
from anechain.receipts.canonical_json import canonical_json, parse_json
from anechain.receipts.file_formats import Format, format_of
from anechain.receipts.netcdf_receipt import NETCDF_SIGNATURES, blank_netcdf_receipt, netcdf_digest, netcdf_receipt
from anechain.receipts.receipt import check_form, check_steps, seal_receipt, sha256_hex
from anechain.regular_files import require_regular_file

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "ReceiptCheck",
    "check_receipt",
    "is_current",
    "read_dataset",
    "read_receipt",
    "replace_atomically",
    "sha256_file",
    "write_artefact",
    "write_dataset",
    "write_if_changed",
]


def sha256_file(path: Path) -> str:
    """Return the SHA-256 of a regular file as 64 hexadecimal digits."""
    require_regular_file(path)
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def replace_atomically(path: Path) -> Iterator[Path]:
    """Yield a temporary file in the same folder; on success it is flushed to the disk and replaces `path`.

    After any failure the temporary file is removed and `path` is unchanged. The permissions of the file are those of
    any new file of the process (umask).

    Raises
    ------
    InputError
        If the file cannot be written: disk full, no permission, or a folder of this name.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(f".{secrets.token_hex(8)}.part")
        # 0o666 minus the umask, as for any new file; files of the module tempfile are readable by their owner only.
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
            "a writable folder with enough free space",
            "free space or correct the permissions, and run again",
        ) from None
    _flush_folder(path.parent)


def _flush_folder(folder: Path) -> None:
    """Flush the entries of a folder to the disk, if the file system can; the file itself is already there."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_if_changed(path: Path, data: bytes) -> None:
    """Write bytes atomically, and only if they differ, so that an unchanged file keeps its date.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    with suppress(OSError):
        if path.read_bytes() == data:
            return
    with replace_atomically(path) as temporary:
        temporary.write_bytes(data)


def write_artefact(path: Path, bare: bytes, receipt: Mapping[str, Any]) -> None:
    """Write an output with its receipt, in a format other than netCDF (SVG, PNG, PDF, CSV, JSON, HTML).

    Raises
    ------
    InputError
        If the file cannot be written.
    ValueError
        If the format cannot contain a receipt, or the output already has one.
    """
    format_ = format_of(bare, path.name)
    if format_ is None:
        raise ValueError(f"{path.name} has a format that cannot contain a receipt")
    content, present = format_.split(bare)
    if present is not None:
        raise ValueError(f"{path.name} already has a receipt")
    text = canonical_json(seal_receipt(receipt, sha256_hex(content))).decode()
    data = format_.embed(bare, text)
    # An output whose receipt cannot be read, under this or another file name, must not be published.
    if format_of(data) is not format_ or format_.split(data) != (content, text):
        raise ValueError(f"the receipt of {path.name} could not be read back")
    with replace_atomically(path) as temporary:
        temporary.write_bytes(data)


def write_dataset(path: Path, dataset: xr.Dataset, receipt: Mapping[str, Any]) -> None:
    """Write a dataset as netCDF-4 with its receipt as a global attribute; the same dataset gives the same bytes.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    import netCDF4

    # Encoding and receipt of the file that the dataset was read from are not part of its content.
    content_only = dataset.drop_encoding()
    content_only.attrs = {name: value for name, value in dataset.attrs.items() if name != "receipt"}
    encoding = {name: {"_FillValue": None} for name in content_only.variables if content_only[name].dtype.kind == "f"}
    with replace_atomically(path) as temporary:
        with _netcdf_errors():
            content_only.to_netcdf(temporary, engine="netcdf4", format="NETCDF4", encoding=encoding)
        content = netcdf_digest(temporary)
        blank = b" " * len(canonical_json(seal_receipt(receipt, content, content)))
        with _netcdf_errors(), netCDF4.Dataset(temporary, "a") as file:
            file.setncattr_string("receipt", blank.decode())
        # The receipt contains the hash of the rest of the file, so it replaces blanks in the finished file.
        data = temporary.read_bytes()
        text = canonical_json(seal_receipt(receipt, content, sha256_hex(data)))
        temporary.write_bytes(data.replace(blank, text, 1))
        if data.count(blank) != 1 or netcdf_receipt(temporary) != text.decode():
            raise ValueError(f"the receipt of {path.name} could not be read back")


@contextmanager
def _netcdf_errors() -> Iterator[None]:
    try:
        yield
    except RuntimeError as error:  # the only message of the library for a full disk is "HDF error"
        raise OSError(errno.EIO, f"{error}; usually the disk is full") from None


def read_dataset(path: Path) -> xr.Dataset:
    """Read a dataset into memory and close the file.

    Raises
    ------
    InputError
        If the file does not exist, is not a netCDF file, or is damaged.
    """
    import xarray as xr

    try:
        with xr.open_dataset(path, engine="netcdf4", decode_times=False) as dataset:
            return dataset.load()
    except Exception as error:  # the libraries raise any exception for a damaged file
        reason = error.strerror if isinstance(error, OSError) else None
        raise InputError.single(
            path, f"cannot be read: {reason or error}", "a netCDF file", "run the campaign again"
        ) from None


@dataclass(frozen=True)
class ReceiptCheck:
    """The receipt of a file, and whether file and receipt match.

    Attributes
    ----------
    receipt : dict or None
        None if the file has no readable receipt; see :func:`anechain.receipts.receipt.check_form`.
    carrier : str
        Where in the file the receipt is.
    wrong : tuple of str
        What does not match; empty for an intact file.
    """

    receipt: dict[str, Any] | None
    carrier: str
    wrong: tuple[str, ...]


def check_receipt(path: Path) -> ReceiptCheck:
    """Read the receipt of a file, and check that file and receipt match.

    Raises
    ------
    InputError
        If the file cannot be read, or has a format that no output has.
    """
    try:
        require_regular_file(path)
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
                    path, "has a format that cannot contain a receipt", "netCDF, SVG, PNG, PDF, CSV, JSON or HTML"
                )
            carrier = format_.carrier
            bare, text = format_.split(data)
            content = sha256_hex(bare)
    except ValueError as error:
        return ReceiptCheck(None, "", (f"the file is damaged: {error}",))
    if text is None:
        return ReceiptCheck(None, carrier, ("the file carries no receipt",))
    try:
        receipt = parse_json(text)
    except ValueError as error:
        return ReceiptCheck(None, carrier, (f"the receipt is not readable: {error}",))
    unreadable, wrong_steps, canonical = _receipt_problems(text)
    if unreadable:
        return ReceiptCheck(None, carrier, unreadable)
    wrong = [*wrong_steps]
    same = receipt["content"] == content
    if not same:
        wrong.append("the content does not match the receipt")
    if format_ is None:
        unchanged = not same or receipt.get("file") == sha256_hex(blank_netcdf_receipt(data, text))
    else:
        unchanged = _as_embedded(format_, bare, text, data)
    if not (unchanged and canonical):
        wrong.append("the file was rewritten by other software" + (", or damaged outside its content" if same else ""))
    return ReceiptCheck(receipt, carrier, tuple(wrong))


@lru_cache(maxsize=256)
def _receipt_problems(text: str) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Return why a receipt cannot be read, what does not match in it, and whether its text is the canonical one.

    A process checks the same files several times, and most of the time goes into canonical JSON.
    """
    receipt = parse_json(text)
    if unreadable := check_form(receipt):
        return tuple(unreadable), (), False
    # JSON can write the same number in several ways; only the canonical one is accepted.
    return (), tuple(check_steps(receipt)), text == canonical_json(receipt).decode()


def _as_embedded(format_: Format, bare: bytes, text: str, data: bytes) -> bool:
    """Return whether a file equals its content with its receipt embedded, byte for byte; for JSON always true."""
    try:
        return format_.name == "JSON" or format_.embed(bare, text) == data
    except ValueError:
        return False


def read_receipt(path: Path) -> dict[str, Any]:
    """Return the receipt of an intact output.

    Raises
    ------
    InputError
        If it has no receipt, or file and receipt do not match.
    """
    examined = check_receipt(path)
    if examined.wrong or examined.receipt is None:
        raise InputError.single(
            path, "; ".join(examined.wrong), "an unaltered output", "remove it and run the campaign again"
        )
    return examined.receipt


def is_current(path: Path, stamp: str) -> bool:
    """Return whether an output exists, is intact, and was made by the step with this stamp."""
    if not path.is_file():
        return False
    try:
        examined = check_receipt(path)
    except InputError:
        return False
    return not examined.wrong and examined.receipt is not None and examined.receipt["stamp"] == stamp
