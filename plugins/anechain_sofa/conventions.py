"""The AES69 conventions that are read."""

from __future__ import annotations

__all__ = ["LISTENER", "READ", "unreadable_because"]

READ: dict[str, tuple[str, ...]] = {
    "FreeFieldDirectivityTF": ("1.0", "1.1"),
    "GeneralTF": ("1.0", "2.0"),
    "GeneralTF-E": ("1.0",),
    "GeneralFIR": ("1.0",),
    "GeneralFIR-E": ("2.0",),
    "GeneralFIRE": ("1.0",),
}
"""Conventions, with their versions, that can contain a loudspeaker's directivity."""

LISTENER: dict[str, tuple[str, ...]] = {
    "SimpleFreeFieldHRIR": ("1.0",),
    "SimpleFreeFieldHRTF": ("1.0",),
    "SimpleFreeFieldTF": ("1.0",),
}
"""Conventions for listeners. Some files store loudspeakers in their layout: read with `directions: sources` only."""

_ROOM = ("SingleRoomSRIR", "SingleRoomMIMOSRIR", "SingleRoomDRIR", "MultiSpeakerBRIR")
_COEFFICIENTS = ("FreeFieldHRIR", "FreeFieldHRTF")


def unreadable_because(convention: str, version: str) -> str:
    """Return the reason why a convention is not read; empty if it is read."""
    known = READ | LISTENER
    if convention in known:
        if version in known[convention]:
            return ""
        return f"{convention} has the version {version or '(none)'}; known: {', '.join(known[convention])}"
    if convention in _ROOM:
        return f"{convention} describes a room, not a loudspeaker"
    if convention in _COEFFICIENTS:
        return f"{convention} contains coefficients over the sphere of a listener, not directions of a loudspeaker"
    return f"{convention or 'no convention'} is not one for a loudspeaker's directivity"
