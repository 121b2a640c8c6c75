"""The dimension of the directions in a file, and the element to read if there are several for each direction."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from anechain_sofa.options import SofaOptions
from anechain_sofa.variables import SofaFile, data_dimensions, size, strings

__all__ = ["Selection", "select"]

_NAMES = {"M": "measurement", "R": "receiver", "E": "emitter"}
_DESCRIPTIONS = {
    "M": ("EmitterDescriptions", "EmitterDescription", "Description", "MeasurementDescription"),
    "R": ("ReceiverDescriptions",),
    "E": ("EmitterDescriptions", "EmitterDescription"),
}


@dataclass(frozen=True)
class Selection:
    """The dimension of the directions, and the indices on the other dimensions.

    Attributes
    ----------
    over : str
        "R" or "M".
    count : int
        Number of directions.
    at : dict of str to int
        Index on each of the other dimensions of M, R, E.
    """

    over: str
    count: int
    at: dict[str, int]

    def name(self, index: int) -> str:
        """Return the name of a direction, such as "receiver 12"."""
        return f"{_NAMES[self.over]} {index}"


def _label(file: SofaFile, dimension: str, index: int) -> str:
    name_of_element = f"{_NAMES[dimension]} {index}"
    for name in _DESCRIPTIONS[dimension]:
        described, texts = strings(file, name) or ("", [])
        if described == dimension and index < len(texts) and texts[index]:
            return f"{name_of_element} ({texts[index]})"
    return name_of_element


def select(file: SofaFile, options: SofaOptions) -> Selection | None:
    """Return what to read; None, with a problem, if the user has to choose first."""
    over = "R" if options.directions == "receivers" else "M"
    lengths = {dimension: size(file, dimension) for dimension in "MRE"}
    # Without a dimension of the emitters, all of them were measured together.
    if "E" not in data_dimensions(file):
        lengths["E"] = 1
    if lengths[over] < 2:
        other = {"R": "M", "M": "R"}[over]
        file.refuse(
            f"there is only one {_NAMES[over]}, so the {_NAMES[over]}s are not the directions",
            fix=f"the file has {lengths[other]} {_NAMES[other]}s: see the option directions"
            if lengths[other] > 1
            else "one direction is not a directivity; use a file with orbits or a sphere",
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
            f"it contains {len(choices)} responses for each direction: {'; '.join(shown)}{more}",
            "one of them",
            "choose with the option measurement",
        )
        return None
    number = options.measurement or 0
    if number >= len(choices):
        file.refuse(f"measurement is {number}", f"0 to {len(choices) - 1}", "choose one of those in the file")
        return None
    at = dict(zip(others, choices[number], strict=True))
    if len(choices) > 1:
        chosen = ", ".join(_label(file, d, i) for d, i in at.items() if lengths[d] > 1)
        file.report.append(f"of {len(choices)} responses for each direction, number {number} is read: {chosen}")
    return Selection(over, lengths[over], at)
