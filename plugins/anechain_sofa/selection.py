"""What runs over the directions in a file, and which one of several is taken for each."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from anechain_sofa.options import SofaOptions
from anechain_sofa.variables import SofaFile, data_dimensions, size, strings

__all__ = ["Selection", "select"]

_WORD = {"M": "measurement", "R": "receiver", "E": "emitter"}
_DESCRIPTIONS = {
    "M": ("EmitterDescriptions", "EmitterDescription", "Description", "MeasurementDescription"),
    "R": ("ReceiverDescriptions",),
    "E": ("EmitterDescriptions", "EmitterDescription"),
}


@dataclass(frozen=True)
class Selection:
    """The dimension of the directions and the index taken on the other ones.

    Attributes
    ----------
    over : str
        "R" or "M".
    count : int
        Directions on it.
    at : dict of str to int
        Index on each other dimension of M, R, E.
    """

    over: str
    count: int
    at: dict[str, int]

    def name(self, index: int) -> str:
        """Words for one direction: "receiver 12"."""
        return f"{_WORD[self.over]} {index}"


def _label(file: SofaFile, dimension: str, index: int) -> str:
    words = f"{_WORD[dimension]} {index}"
    for name in _DESCRIPTIONS[dimension]:
        found = strings(file, name)
        if found is not None and found[0] == dimension and index < len(found[1]) and found[1][index]:
            return f"{words} ({found[1][index]})"
    return words


def select(file: SofaFile, options: SofaOptions) -> Selection | None:
    """Decide what to read; None, with a problem, if the user has to choose first."""
    over = "R" if options.directions == "receivers" else "M"
    lengths = {dimension: size(file, dimension) for dimension in "MRE"}
    if "E" not in data_dimensions(file):  # then what all emitters make together was measured
        lengths["E"] = 1
    if lengths[over] < 2:
        other = {"R": "M", "M": "R"}[over]
        file.refuse(
            f"there is one {_WORD[over]} only, so no directions run over the {_WORD[over]}s",
            fix=f"the file has {lengths[other]} {_WORD[other]}s: see the option directions"
            if lengths[other] > 1
            else "one direction is no directivity; give a file with orbits or a sphere",
        )
        return None
    others = [dimension for dimension in "MRE" if dimension != over]
    choices = list(product(*(range(lengths[dimension]) for dimension in others)))
    if len(choices) > 1 and options.measurement is None:
        shown = [
            f"{number}: " + ", ".join(_label(file, d, i) for d, i in zip(others, choice, strict=True) if lengths[d] > 1)
            for number, choice in enumerate(choices[:12])
        ]
        more = f"; and {len(choices) - 12} more" if len(choices) > 12 else ""
        file.refuse(
            f"it holds {len(choices)} of everything for each direction: {'; '.join(shown)}{more}",
            "one of them",
            "choose with the option measurement",
        )
        return None
    number = options.measurement or 0
    if number >= len(choices):
        file.refuse(f"measurement is {number}", f"0 to {len(choices) - 1}", "choose one that the file has")
        return None
    at = dict(zip(others, choices[number], strict=True))
    if len(choices) > 1:
        taken = ", ".join(_label(file, d, i) for d, i in at.items() if lengths[d] > 1)
        file.report.append(f"of {len(choices)} for each direction, number {number} is taken: {taken}")
    return Selection(over, lengths[over], at)
