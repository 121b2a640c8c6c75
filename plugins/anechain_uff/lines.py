"""Lines and fixed-width fields of a universal file."""

from __future__ import annotations

import re
from dataclasses import dataclass

from anechain.errors import InputError

__all__ = ["MARK", "Lines", "float_field", "int_field", "split_fields", "truncated_error"]

MARK = b"-1"
"""Line before and after each dataset."""
_LINE = re.compile(rb"[^\r\n]*(?:\r\n|\n|\r|$)")


@dataclass(frozen=True)
class Lines:
    """Bytes of a file, read line by line from any position."""

    data: bytes

    def line_at(self, start: int) -> tuple[bytes, int]:
        """Return the line that starts at a position, without its line end, and the position of the next line."""
        match = _LINE.match(self.data, start)
        assert match is not None
        return match[0].rstrip(b"\r\n"), match.end()


def split_fields(line: str, widths: tuple[int, ...]) -> list[str]:
    """Return the fields of a line with fixed widths, without blanks."""
    fields, start = [], 0
    for width in widths:
        fields.append(line[start : start + width].strip())
        start += width
    return fields


def int_field(field: str, name: str, where: str) -> int:
    """Return the integer of a field; 0 if it is empty.

    Raises
    ------
    InputError
        If it is not an integer.
    """
    try:
        return int(field or "0")
    except ValueError:
        raise InputError.single(
            where, f"{name} is {field!r}", "an integer in its columns", "export the file again"
        ) from None


def float_field(field: str, name: str, where: str) -> float:
    """Return the number of a field; 0 if it is empty. The exponent may be marked by D.

    Raises
    ------
    InputError
        If it is not a number.
    """
    try:
        return float((field or "0").replace("D", "E").replace("d", "e"))
    except ValueError:
        raise InputError.single(
            where, f"{name} is {field!r}", "a number in its columns", "export the file again"
        ) from None


def truncated_error(where: str, what: str) -> InputError:
    """Return the error for a truncated file."""
    return InputError.single(where, f"truncated: {what}", "a complete file", "copy or export the file again")
