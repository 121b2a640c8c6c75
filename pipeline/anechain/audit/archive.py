"""ZIP archives of one fixed layout, so that the same files always have the same bytes; and their safe unpacking.

Files are stored uncompressed, since the output of a compressor depends on its version. For the same reason the layout
is written here and not by a library (format: APPNOTE.TXT 6.3, by the format's publisher): entries in the order of their
names, the format's first day as date, the same permissions for all, no comments, no extra fields except for sizes from
4 GiB. A change of a single bit of an archive is therefore detected.
"""

from __future__ import annotations

import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from anechain.errors import InputError, Problem

__all__ = ["Entry", "entry_of_bytes", "entry_of_file", "extract", "name_problem", "write_archive"]

_CHUNK = 1 << 20
_LARGE = 0xFFFFFFFF
"""From this size on, 32 bits are not enough and the size is in an extra field."""
_MANY = _LONGEST_NAME = 0xFFFF
_UTF8 = 0x0800
_FIRST_DAY = (1 << 5) | 1
"""1 January 1980, the first day of the format."""
_PERMISSIONS = (stat.S_IFREG | 0o644) << 16
_FROM_UNIX = 3 << 8


@dataclass(frozen=True)
class Entry:
    """One file of an archive.

    Attributes
    ----------
    name : str
        Path in the archive, with "/".
    size, crc : int
        Bytes and their CRC-32.
    open : callable
        Opens the content for reading.
    """

    name: str
    size: int
    crc: int
    open: Callable[[], BinaryIO]


def entry_of_file(name: str, path: Path) -> Entry:
    """Return the entry of a file on disk; the file is read once for its checksum."""
    crc = size = 0
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            crc, size = zlib.crc32(chunk, crc), size + len(chunk)
    return Entry(name, size, crc, lambda: path.open("rb"))


def entry_of_bytes(name: str, content: bytes) -> Entry:
    """Return the entry of content in memory."""
    from io import BytesIO

    return Entry(name, len(content), zlib.crc32(content), lambda: BytesIO(content))


def name_problem(name: str) -> str:
    """Return why a file of this name cannot be unpacked on every system; empty if it can."""
    parts = name.split("/")
    if not name.isprintable() or "\\" in name or ":" in name:
        return "has characters that some file systems do not allow in names (control characters, \\ or :)"
    if name.startswith("/") or any(part in ("", ".", "..") for part in parts):
        return "is not a plain path below the folder"
    if any(len(part.encode()) > 255 for part in parts) or len(name.encode()) > _LONGEST_NAME:
        return "is too long"
    return ""


def write_archive(target: BinaryIO, entries: Sequence[Entry]) -> None:
    """Write an archive.

    Raises
    ------
    InputError
        If a file changes while it is read.
    ValueError
        If two entries have the same name, or a name is not allowed: see :func:`name_problem`.
    """
    names = [entry.name for entry in entries]
    if len(set(names)) != len(names) or any(map(name_problem, names)):
        raise ValueError("names of entries must be different plain paths")
    for chunk in _layout(entries):
        target.write(chunk)


def _layout(entries: Sequence[Entry]) -> Iterator[bytes]:
    """Yield the bytes of an archive, one after the other."""
    directory = []
    offset = 0
    for entry in sorted(entries, key=lambda item: item.name):
        directory.append(_directory_record(entry, offset))
        head = _local_header(entry)
        yield head
        crc = size = 0
        with entry.open() as file:
            while chunk := file.read(_CHUNK):
                crc, size = zlib.crc32(chunk, crc), size + len(chunk)
                yield chunk
        if (size, crc) != (entry.size, entry.crc):
            raise InputError.single(entry.name, "changed while it was read", fix="try again when it is not in use")
        offset += len(head) + size
    yield from directory
    length = sum(map(len, directory))
    count = len(entries)
    if offset >= _LARGE or length >= _LARGE or count >= _MANY:
        yield struct.pack(
            "<IQHHIIQQQQ", 0x06064B50, 44, _FROM_UNIX | 45, 45, 0, 0, count, count, length, offset
        ) + struct.pack("<IIQI", 0x07064B50, 0, offset + length, 1)
    counted = 0xFFFF if count >= _MANY else count
    size_and_offset = (0xFFFFFFFF if length >= _LARGE else length, 0xFFFFFFFF if offset >= _LARGE else offset)
    yield struct.pack("<IHHHHIIH", 0x06054B50, 0, 0, counted, counted, *size_and_offset, 0)


def _local_header(entry: Entry) -> bytes:
    name = entry.name.encode()
    large = entry.size >= _LARGE
    extra = struct.pack("<HHQQ", 1, 16, entry.size, entry.size) if large else b""
    size = 0xFFFFFFFF if large else entry.size
    fixed = struct.pack(
        "<IHHHHHIIIHH",
        *(0x04034B50, 45 if large else 20, _UTF8, 0, 0, _FIRST_DAY, entry.crc, size, size, len(name), len(extra)),
    )
    return fixed + name + extra


def _directory_record(entry: Entry, offset: int) -> bytes:
    name = entry.name.encode()
    large = [entry.size, entry.size] if entry.size >= _LARGE else []
    size = 0xFFFFFFFF if large else entry.size
    short_offset = offset if offset < _LARGE else 0xFFFFFFFF
    large += [offset] if offset >= _LARGE else []
    extra = struct.pack(f"<HH{len(large)}Q", 1, 8 * len(large), *large) if large else b""
    version = 45 if large else 20
    fixed = struct.pack(
        "<IHHHHHHIIIHHHHHII",
        *(0x02014B50, _FROM_UNIX | version, version, _UTF8, 0, 0, _FIRST_DAY, entry.crc, size, size),
        *(len(name), len(extra), 0, 0, 0, _PERMISSIONS, short_offset),
    )
    return fixed + name + extra


@contextmanager
def _open_archive(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except InputError:
        raise
    except OSError as error:
        where = error.filename or path
        raise InputError.single(
            where, f"cannot be read or unpacked: {error.strerror or error}", fix="check it"
        ) from None
    except Exception as error:  # the library raises many kinds of errors on a damaged archive
        raise InputError.single(path, f"is not a complete archive: {error}", "a bundle", "download it again") from None


def extract(path: Path, folder: Path) -> list[str]:
    """Unpack an archive of this layout into an empty folder.

    Every name is checked before anything is written, so that no file is written outside the folder. Since nothing is
    compressed, the unpacked files are never larger than the archive.

    Returns
    -------
    list of str
        The files' names, sorted.

    Raises
    ------
    InputError
        If it is not an archive of this layout, or any bit of it was changed.
    """
    with _open_archive(path) as archive:
        infos = archive.infolist()
        if problems := list(_unsafe_entries(path, infos)):
            raise InputError(problems)
        entries = []
        for info in infos:
            target = folder / info.filename
            target.parent.mkdir(parents=True, exist_ok=True)
            with archive.open(info) as source, target.open("xb") as file:
                while chunk := source.read(_CHUNK):
                    file.write(chunk)
            entries.append(entry_of_file(info.filename, target))
    if not _equals(path, _layout(entries)):
        raise InputError.single(
            path,
            "was packed again by other software, or is damaged outside its content",
            "the archive as it was bundled, bit for bit",
            "download it again; or unpack it yourself and verify the folder",
        )
    return sorted(info.filename for info in infos)


def _equals(path: Path, chunks: Iterator[bytes]) -> bool:
    with path.open("rb") as file:
        for chunk in chunks:
            if file.read(len(chunk)) != chunk:
                return False
        return not file.read(1)


def _unsafe_entries(path: Path, infos: Sequence[zipfile.ZipInfo]) -> Iterator[Problem]:
    remaining = path.stat().st_size
    folded: dict[str, str] = {}
    for info in infos:
        name = info.filename
        shown = f"{path}: {name!r}"
        if problem := name_problem(name):
            yield Problem(shown, problem, "a plain path below the folder", "do not unpack this archive")
        elif stat.S_IFMT(info.external_attr >> 16) not in (0, stat.S_IFREG):
            yield Problem(shown, "is not a plain file", "files only, no links", "do not unpack this archive")
        elif info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size or info.flag_bits & 1:
            yield Problem(shown, "is compressed or encrypted", "stored files", "bundle the campaign again")
        if (other := folded.setdefault(name.casefold(), name)) != name or _parent_is_file(name, folded):
            yield Problem(shown, f"and {other!r} are the same file on some systems", fix="do not unpack this archive")
        remaining -= info.file_size
    if len({info.filename for info in infos}) != len(infos) or remaining < 0:
        yield Problem(
            str(path), "has two files of the same name, or files that overlap", fix="do not unpack this archive"
        )


def _parent_is_file(name: str, folded: Mapping[str, str]) -> bool:
    parts = name.casefold().split("/")
    return any("/".join(parts[:depth]) in folded for depth in range(1, len(parts)))
