"""Decoding of text files: from bytes to characters."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from pathlib import Path

from anechain.errors import InputError
from anechain.regular_files import require_regular_file

__all__ = ["DecodedText", "decode", "read_bytes", "whole_lines"]

_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")
_SEPARATORS = re.compile("[\x85\u2028\u2029]")
"""Next line, line separator and paragraph separator (Unicode, UAX 14)."""
_MINUS = re.compile("\N{MINUS SIGN}(?=[0-9])")
_EXPECTED = "text in UTF-8, UTF-16 or Latin-1"


@dataclass(frozen=True)
class DecodedText:
    """Text of a file.

    Attributes
    ----------
    text : str
        Lines that end with line feeds, whatever the line ends of the file.
    encoding : str
        "utf-8", "utf-16-le", "utf-16-be" or "latin-1".
    notes : tuple of str
        What was assumed or repaired.
    """

    text: str
    encoding: str
    notes: tuple[str, ...] = ()


def _utf16_by_nulls(data: bytes) -> str | None:
    """Return the byte order of UTF-16 without a byte-order mark; None if the text is not certainly UTF-16.

    Tables of numbers are nearly all ASCII. In UTF-16, nearly every second byte of them is zero, and no other byte is.
    """
    low, high = data[0::2], data[1::2]
    if high.count(0) > 0.9 * len(high) and low.count(0) == 0:
        return "utf-16-le"
    if low.count(0) > 0.9 * len(low) and high.count(0) == 0:
        return "utf-16-be"
    return None


def _encoding_of(data: bytes, wanted: str) -> tuple[str, int]:
    """Return the name of the codec and the length of the byte-order mark in bytes."""
    if wanted in ("auto", "utf-8") and data.startswith(codecs.BOM_UTF8):
        return "utf-8", 3
    if wanted in ("auto", "utf-16"):
        # The mark of UTF-32 starts with that of UTF-16; `decode` refuses the zero character that then follows.
        if data.startswith(codecs.BOM_UTF16_LE):
            return "utf-16-le", 2
        if data.startswith(codecs.BOM_UTF16_BE):
            return "utf-16-be", 2
        by_nulls = _utf16_by_nulls(data)
        if by_nulls or wanted == "utf-16":
            return by_nulls or "utf-16-le", 0
    return ("utf-8" if wanted == "auto" else wanted), 0


def decode(data: bytes, where: str, encoding: str = "auto") -> DecodedText:
    """Decode the bytes of a text file.

    Parameters
    ----------
    data : bytes
        The whole file.
    where : str
        File name for error messages.
    encoding : {"auto", "utf-8", "utf-16", "latin-1"}
        "auto" tries in this order: the byte-order mark, UTF-16 by its zero bytes, UTF-8, Latin-1.

    Returns
    -------
    DecodedText

    Raises
    ------
    InputError
        If the bytes do not have that encoding, or hold control characters, which text does not.
    """
    codec, skip = _encoding_of(data, encoding)
    body = data[skip:]
    notes = []
    try:
        text = body.decode(codec)
    except UnicodeDecodeError as error:
        if codec != "utf-8" or encoding != "auto" or skip:
            raise InputError.single(
                where,
                f"byte {skip + error.start + 1} is not {codec.upper()}: {error.reason}",
                _EXPECTED,
                "export it again as text, or correct the option `encoding`",
            ) from None
        codec = "latin-1"
        text = body.decode(codec)
        notes.append("read as Latin-1, because it is not UTF-8")
    if text.endswith("\x1a"):
        text = text.rstrip("\x1a")
        notes.append("end-of-file character after the text removed")
    if text.startswith("\ufeff"):
        text = text.lstrip("\ufeff")
        notes.append("repeated byte-order mark removed")
    text, separators = _SEPARATORS.subn("\n", text) if codec != "latin-1" and not text.isascii() else (text, 0)
    if separators:
        notes.append(f"line separators other than line ends, read as line ends: {separators}")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if control := _CONTROL.search(text):
        line = text.count("\n", 0, control.start()) + 1
        raise InputError.single(
            where,
            f"line {line} holds the control character {ord(control[0]):#04x}: this is not text",
            _EXPECTED,
            "export it as text; a binary file needs another importer",
        )
    if not text.isascii() and _MINUS.search(text):
        text = _MINUS.sub("-", text)
        notes.append("typographic minus signs read as minus")
    return DecodedText(text, codec, tuple(notes))


def whole_lines(head: bytes, limit: int) -> bytes:
    """Return the first bytes of a file without the line that was cut at the end.

    Parameters
    ----------
    head : bytes
        At most the first `limit` bytes of the file.
    limit : int
        Number of bytes that were asked for. Fewer bytes are a whole file, and are returned unchanged.
    """
    end = max(head.rfind(b"\n"), head.rfind(b"\r")) + 1
    if len(head) < limit or not end:
        return head
    # A character of UTF-16 has two bytes.
    return head[: end + (end % 2 if b"\0" in head else 0)]


def read_bytes(path: Path, where: str) -> bytes:
    """Return the bytes of a file.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    try:
        require_regular_file(path)
        return path.read_bytes()
    except OSError as error:
        raise InputError.single(
            where, f"cannot be read: {error.strerror}", "a readable file", "check its permissions and that it exists"
        ) from None
