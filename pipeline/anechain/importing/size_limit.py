"""Limit of the memory that the values of one raw file may need, judged from its headers before anything is read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from anechain.errors import InputError

__all__ = ["DEFAULT_GB", "check_size", "size_limit"]

DEFAULT_GB = 2.0
"""10^9 bytes: a sphere of 5 degrees with 2000 frequencies in complex numbers needs 0.08."""

_limit: ContextVar[float] = ContextVar("size_limit", default=DEFAULT_GB)


@contextmanager
def size_limit(gigabytes: float) -> Iterator[None]:
    """Set the limit for all reading inside the `with` block."""
    token = _limit.set(gigabytes)
    try:
        yield
    finally:
        _limit.reset(token)


def check_size(where: object, size: float) -> None:
    """Refuse a file whose values need more memory than the limit.

    A small file can declare values without number, or hold them compressed by a factor of a thousand. An importer calls
    this with what the headers state, before it reads the values.

    Parameters
    ----------
    where : object
        The file, and its part, for the message.
    size : float
        Memory in bytes.

    Raises
    ------
    InputError
        If it is more than the limit.
    """
    limit = _limit.get()
    if size > limit * 1e9:
        raise InputError.single(
            where,
            f"its values need {size / 1e9:.3g} GB of memory",
            f"at most {limit:g} GB",
            "check the file; if it is so large on purpose, raise `importing.largest_file` in the campaign",
        )
