"""Turn the bytes of a text file into characters."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from anechain.errors import InputError

__all__ = ["Decoded", "decode"]

_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")
_MINUS = re.compile("\N{MINUS SIGN}(?=[0-9])")
_ALLOWED = "text in UTF-8, UTF-16 or Latin-1"


@dataclass(frozen=True)
class Decoded:
    """Text of a file.

    Attributes
    ----------
    text : str
        Its lines, each ended by a line feed whatever the file had.
    encoding : str
        "utf-8", "utf-16-le", "utf-16-be" or "latin-1".
    notes : tuple of str
        What had to be assumed or repaired.
    """

    text: str
    encoding: str
    notes: tuple[str, ...] = ()


def _utf16_by_nulls(data: bytes) -> str | None:
    """Byte order of UTF-16 without a mark, if it is unmistakable: nearly every second byte is zero, the others never.

    Tables of numbers are nearly all ASCII, whose upper byte is zero.
    """
    low, high = data[0::2], data[1::2]
    if high.count(0) > 0.9 * len(high) and low.count(0) == 0:
        return "utf-16-le"
    if low.count(0) > 0.9 * len(low) and high.count(0) == 0:
        return "utf-16-be"
    return None


def _encoding_of(data: bytes, wanted: str) -> tuple[str, int]:
    """Name of the codec and the length of the byte-order mark."""
    if wanted in ("auto", "utf-8") and data.startswith(codecs.BOM_UTF8):
        return "utf-8", 3
    if wanted in ("auto", "utf-16"):
        # UTF-32's mark starts with the one of UTF-16; the zero character that then follows is refused below.
        if data.startswith(codecs.BOM_UTF16_LE):
            return "utf-16-le", 2
        if data.startswith(codecs.BOM_UTF16_BE):
            return "utf-16-be", 2
        by_nulls = _utf16_by_nulls(data)
        if by_nulls or wanted == "utf-16":
            return by_nulls or "utf-16-le", 0
    return ("utf-8" if wanted == "auto" else wanted), 0


def decode(data: bytes, where: str, encoding: str = "auto") -> Decoded:
    """Decode the bytes of a text file.

    Parameters
    ----------
    data : bytes
        The whole file.
    where : str
        The file's name, for the refusal.
    encoding : {"auto", "utf-8", "utf-16", "latin-1"}
        "auto" takes a byte-order mark at its word, then UTF-16 where the zero bytes leave no doubt, then UTF-8, and
        Latin-1 for what is not UTF-8.

    Returns
    -------
    Decoded

    Raises
    ------
    InputError
        If the bytes are not of that encoding, or hold control characters that no text has.
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
                _ALLOWED,
                "export it again as text, or correct the option `encoding`",
            ) from None
        codec = "latin-1"
        text = body.decode(codec)
        notes.append("read as Latin-1, since it is not UTF-8")
    if text.endswith("\x1a"):
        text = text.rstrip("\x1a")
        notes.append("the end-of-file character after the text dropped")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if control := _CONTROL.search(text):
        line = text.count("\n", 0, control.start()) + 1
        raise InputError.single(
            where,
            f"line {line} holds the control character {ord(control[0]):#04x}: this is not text",
            _ALLOWED,
            "export it as text; a binary file is for another importer",
        )
    if not text.isascii() and _MINUS.search(text):
        text = _MINUS.sub("-", text)
        notes.append("the typographic minus sign taken as a minus")
    return Decoded(text, codec, tuple(notes))
