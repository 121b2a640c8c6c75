"""How Anechain says that something cannot be done: every problem at once, each with its mend."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Problem", "Refusal", "told_together"]


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, worded for the person who has to mend it.

    Attributes
    ----------
    where : str
        The file (or the part of the campaign) that is wrong.
    what : str
        The field and what was found there.
    allowed : str
        What would have been accepted; empty where `what` already says it.
    mend : str
        What to do about it.
    """

    where: str
    what: str
    allowed: str = ""
    mend: str = ""

    def __str__(self) -> str:
        lines = [f"{self.where}: {self.what}"]
        if self.allowed:
            lines.append(f"    allowed: {self.allowed}")
        if self.mend:
            lines.append(f"    mend: {self.mend}")
        return "\n".join(lines)


class Refusal(Exception):  # noqa: N818 - it is an answer to the user, not a fault of the program
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
        super().__init__("\n".join(told_together(map(str, self.problems))))

    @classmethod
    def because(cls, where: object, what: str, allowed: str = "", mend: str = "") -> Refusal:
        """Make a refusal of a single problem."""
        return cls([Problem(str(where), what, allowed, mend)])


def told_together(problems: Iterable[str]) -> list[str]:
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
