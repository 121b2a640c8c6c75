"""A ZIP archive of one fixed layout: the same files give the same bytes; and its safe unpacking.

Nothing is compressed: what a compressor makes differs from version to version, what is stored does not. The layout is
written here and not by a library for the same reason (the format: APPNOTE.TXT 6.3, by the format's publisher): entries
in the order of their names, dates at the format's first day, one set of rights, no comments, no extra fields but those
for sizes beyond 4 GiB. So whoever unpacks can say whether a single bit of the archive is not as it was written.
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
"""From here on a size does not fit into its 32 bits and stands in an extra field."""
_MANY = _LONGEST_NAME = 0xFFFF
_UTF8 = 0x0800
_FIRST_DAY = (1 << 5) | 1
"""1 January 1980, the first day the format knows."""
_RIGHTS = (stat.S_IFREG | 0o644) << 16
_MADE_ON_UNIX = 3 << 8


@dataclass(frozen=True)
class Entry:
    """A file of an archive.

    Attributes
    ----------
    name : str
        Path in the archive, with "/".
    size, crc : int
        Bytes and their CRC-32.
    opened : callable
        Opens the content for reading.
    """

    name: str
    size: int
    crc: int
    opened: Callable[[], BinaryIO]


def entry_of_file(name: str, path: Path) -> Entry:
    """Entry for a file on disk, which is read once to know its checksum."""
    crc = size = 0
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            crc, size = zlib.crc32(chunk, crc), size + len(chunk)
    return Entry(name, size, crc, lambda: path.open("rb"))


def entry_of_bytes(name: str, content: bytes) -> Entry:
    """Entry for content in memory."""
    from io import BytesIO

    return Entry(name, len(content), zlib.crc32(content), lambda: BytesIO(content))


def name_problem(name: str) -> str:
    """Say why a name cannot stand in an archive that is unpacked anywhere; empty if it can."""
    parts = name.split("/")
    if not name.isprintable() or "\\" in name or ":" in name:
        return "holds signs that not every file system has in names (control characters, \\ or :)"
    if name.startswith("/") or any(part in ("", ".", "..") for part in parts):
        return "is no plain path below the folder"
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
        If two entries have one name, or a name cannot stand in an archive.
    """
    names = [one.name for one in entries]
    if len(set(names)) != len(names) or any(map(name_problem, names)):
        raise ValueError("names of entries must be different plain paths")
    for chunk in _layout(entries):
        target.write(chunk)


def _layout(entries: Sequence[Entry]) -> Iterator[bytes]:
    """Yield the bytes of an archive, one after the other."""
    directory = []
    at = 0
    for one in sorted(entries, key=lambda entry: entry.name):
        directory.append(_in_directory(one, at))
        head = _before(one)
        yield head
        crc = size = 0
        with one.opened() as file:
            while chunk := file.read(_CHUNK):
                crc, size = zlib.crc32(chunk, crc), size + len(chunk)
                yield chunk
        if (size, crc) != (one.size, one.crc):
            raise InputError.single(one.name, "changed while it was read", fix="try again when nothing works on it")
        at += len(head) + size
    yield from directory
    length = sum(map(len, directory))
    count = len(entries)
    if at >= _LARGE or length >= _LARGE or count >= _MANY:
        yield struct.pack(
            "<IQHHIIQQQQ", 0x06064B50, 44, _MADE_ON_UNIX | 45, 45, 0, 0, count, count, length, at
        ) + struct.pack("<IIQI", 0x07064B50, 0, at + length, 1)
    counted = 0xFFFF if count >= _MANY else count
    where = (0xFFFFFFFF if length >= _LARGE else length, 0xFFFFFFFF if at >= _LARGE else at)
    yield struct.pack("<IHHHHIIH", 0x06054B50, 0, 0, counted, counted, *where, 0)


def _before(one: Entry) -> bytes:
    name = one.name.encode()
    large = one.size >= _LARGE
    extra = struct.pack("<HHQQ", 1, 16, one.size, one.size) if large else b""
    size = 0xFFFFFFFF if large else one.size
    fixed = struct.pack(
        "<IHHHHHIIIHH",
        *(0x04034B50, 45 if large else 20, _UTF8, 0, 0, _FIRST_DAY, one.crc, size, size, len(name), len(extra)),
    )
    return fixed + name + extra


def _in_directory(one: Entry, at: int) -> bytes:
    name = one.name.encode()
    beyond = [one.size, one.size] if one.size >= _LARGE else []
    size = 0xFFFFFFFF if beyond else one.size
    offset = at if at < _LARGE else 0xFFFFFFFF
    beyond += [at] if at >= _LARGE else []
    extra = struct.pack(f"<HH{len(beyond)}Q", 1, 8 * len(beyond), *beyond) if beyond else b""
    version = 45 if beyond else 20
    fixed = struct.pack(
        "<IHHHHHHIIIHHHHHII",
        *(0x02014B50, _MADE_ON_UNIX | version, version, _UTF8, 0, 0, _FIRST_DAY, one.crc, size, size),
        *(len(name), len(extra), 0, 0, 0, _RIGHTS, offset),
    )
    return fixed + name + extra


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
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
    except Exception as error:  # the library gives up on a damaged archive in any way there is
        raise InputError.single(path, f"is no whole archive: {error}", "a bundle", "fetch it again") from None


def extract(path: Path, folder: Path) -> list[str]:
    """Unpack an archive of this layout into an empty folder.

    Every name is checked before anything is written: nothing lands outside the folder, and since nothing is
    compressed, what is unpacked is never more than the archive itself.

    Returns
    -------
    list of str
        The files' names, sorted.

    Raises
    ------
    InputError
        If it is no archive of this layout, or a bit of it is not as it was written.
    """
    with _opened(path) as archive:
        infos = archive.infolist()
        if problems := list(_suspicious(path, infos)):
            raise InputError(problems)
        entries = []
        for info in infos:
            target = folder / info.filename
            target.parent.mkdir(parents=True, exist_ok=True)
            with archive.open(info) as source, target.open("xb") as file:
                while chunk := source.read(_CHUNK):
                    file.write(chunk)
            entries.append(entry_of_file(info.filename, target))
    if not _same(path, _layout(entries)):
        raise InputError.single(
            path,
            "was packed again by other software, or is damaged in a place that holds no content",
            "the archive as it was bundled, bit for bit",
            "fetch it again; or unpack it yourself and look at the folder",
        )
    return sorted(info.filename for info in infos)


def _same(path: Path, chunks: Iterator[bytes]) -> bool:
    with path.open("rb") as file:
        for chunk in chunks:
            if file.read(len(chunk)) != chunk:
                return False
        return not file.read(1)


def _suspicious(path: Path, infos: Sequence[zipfile.ZipInfo]) -> Iterator[Problem]:
    room = path.stat().st_size
    folded: dict[str, str] = {}
    for info in infos:
        name = info.filename
        shown = f"{path}: {name!r}"
        if why := name_problem(name):
            yield Problem(shown, why, "a plain path below the folder", "do not unpack this archive")
        elif stat.S_IFMT(info.external_attr >> 16) not in (0, stat.S_IFREG):
            yield Problem(shown, "is no plain file", "files only, no links", "do not unpack this archive")
        elif info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size or info.flag_bits & 1:
            yield Problem(shown, "is compressed or encrypted", "stored files", "bundle the campaign again")
        if (other := folded.setdefault(name.casefold(), name)) != name or _parent_is_file(name, folded):
            yield Problem(shown, f"and {other!r} are one file on some systems", fix="do not unpack this archive")
        room -= info.file_size
    if len({info.filename for info in infos}) != len(infos) or room < 0:
        yield Problem(str(path), "holds two files of one name, or files that overlap", fix="do not unpack this archive")


def _parent_is_file(name: str, folded: Mapping[str, str]) -> bool:
    parts = name.casefold().split("/")
    return any("/".join(parts[:depth]) in folded for depth in range(1, len(parts)))
