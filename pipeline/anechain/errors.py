"""Errors of the input: all problems at once, each with what was expected and how to fix it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from anechain.printable import visible

__all__ = ["InputError", "Problem", "format_problems"]


@dataclass(frozen=True)
class Problem:
    """One problem of the input, for the person who has to fix it.

    Attributes
    ----------
    where : str
        The file, or the part of the campaign, with the problem.
    what : str
        The field and its value.
    expected : str
        What would be accepted; empty if `what` is clear without it.
    fix : str
        How to fix it.
    """

    where: str
    what: str
    expected: str = ""
    fix: str = ""

    def __str__(self) -> str:
        lines = [f"{self.where}: {self.what}"]
        if self.expected:
            lines.append(f"    expected: {self.expected}")
        if self.fix:
            lines.append(f"    fix: {self.fix}")
        return visible("\n".join(lines))


class InputError(Exception):
    """The input cannot be used; contains every problem that was found.

    Parameters
    ----------
    problems : iterable of Problem
        At least one.
    """

    def __init__(self, problems: Iterable[Problem]):
        self.problems: tuple[Problem, ...] = tuple(problems)
        if not self.problems:
            raise ValueError("an InputError needs at least one problem")
        super().__init__("\n".join(format_problems(map(str, self.problems))))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        return InputError, (self.problems,)

    @classmethod
    def single(cls, where: object, what: str, expected: str = "", fix: str = "") -> InputError:
        """Return an error with a single problem; the parameters are those of :class:`Problem`."""
        return cls([Problem(str(where), what, expected, fix)])


def format_problems(problems: Iterable[str]) -> list[str]:
    """Return the texts of problems; if consecutive ones have the same fix, only the last one names it."""
    texts: list[str] = []
    previous = ""
    for problem in problems:
        rest = problem.partition("\n")[2]
        if rest and rest == previous:
            texts[-1] = texts[-1].removesuffix(f"\n{rest}")
        texts.append(problem)
        previous = rest
    return texts
