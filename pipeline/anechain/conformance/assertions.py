"""Failures of conformance tests, and their messages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NoReturn

from anechain.importing.hooks import Reading

__all__ = ["fail", "list_failures", "outcome_text", "require"]

_MAX_LISTED = 5


def fail(message: str) -> NoReturn:
    """Fail the test."""
    raise AssertionError(message)


def require(condition: bool, message: str) -> None:
    """Fail the test if a condition is false."""
    # Not an `assert` statement: python -O removes those.
    if not condition:
        fail(message)


def list_failures(failures: Sequence[str]) -> str:
    """Return the first failures, one per line, and the number of the others."""
    more = [f"and {len(failures) - _MAX_LISTED} more"] if len(failures) > _MAX_LISTED else []
    return "\n".join([*failures[:_MAX_LISTED], *more])


def outcome_text(outcome: object) -> str:
    """Describe what `anechain_read` returned or raised."""
    if isinstance(outcome, BaseException):
        return f"raised {type(outcome).__name__}: {outcome}"
    return "was read" if isinstance(outcome, Reading) else f"returned {type(outcome).__name__}, not a Reading"
