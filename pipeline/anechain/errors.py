"""How Anechain says that something cannot be done: every problem at once, each with its mend."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["InputError", "Problem", "format_problems"]


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, worded for the person who has to mend it.

    Attributes
    ----------
    where : str
        The file (or the part of the campaign) that is wrong.
    what : str
        The field and what was found there.
    expected : str
        What would have been accepted; empty where `what` already says it.
    fix : str
        What to do about it.
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
        return "\n".join(lines)


class InputError(Exception):
    """The input cannot be used; carries every problem found.

    Parameters
    ----------
    problems : iterable of Problem
        At least one.
    """

    def __init__(self, problems: Iterable[Problem]):
        self.problems: tuple[Problem, ...] = tuple(problems)
        if not self.problems:
            raise ValueError("a refusal needs at least one problem")
        super().__init__("\n".join(format_problems(map(str, self.problems))))

    @classmethod
    def single(cls, where: object, what: str, expected: str = "", fix: str = "") -> InputError:
        """Make a refusal of a single problem."""
        return cls([Problem(str(where), what, expected, fix)])


def format_problems(problems: Iterable[str]) -> list[str]:
    """Texts of problems, where neighbours of one mend name it once, after the last of them."""
    told: list[str] = []
    before = ""
    for problem in problems:
        rest = problem.partition("\n")[2]
        if rest and rest == before:
            told[-1] = told[-1].removesuffix(f"\n{rest}")
        told.append(problem)
        before = rest
    return told
