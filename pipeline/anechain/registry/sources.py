"""Sources: the kinds of raw exports that a device can have, and the datasets that each brings."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["COMPANIONS", "SOURCES", "SourceKind"]


@dataclass(frozen=True)
class SourceKind:
    """One kind of raw exports.

    Attributes
    ----------
    name : str
        Key of a device in the campaign file, name of the dataset and of its contract, and field of
        :class:`anechain.hooks.Reading`.
    description : str
        Description in the campaign file.
    companions : tuple of str
        Datasets that the same files may contain besides the dataset of this name.
    required : bool
        Whether every device must have it.
    """

    name: str
    description: str
    companions: tuple[str, ...] = ()
    required: bool = False


COMPANIONS = ("sphere", "axis", "harmonics", "impedance", "takes", "multitone")
"""Datasets that a device may have besides its responses, in the order in which they are written."""

SOURCES = {
    kind.name: kind
    for kind in (
        SourceKind("responses", "Raw exports of the responses", COMPANIONS, required=True),
        SourceKind(
            "harmonics",
            "Raw exports of harmonic distortion on the axis, if apart from the responses",
            ("takes",),  # takes on the axis come with the responses or, if those are measured apart, with the harmonics
        ),
        SourceKind("impedance", "Raw exports of the electrical impedance"),
        SourceKind("multitone", "Raw recordings of a multitone signal on the axis"),
    )
}
"""All kinds of raw exports by name, in the order in which they are read."""
