"""Which AES69 conventions are read, and how a file is recognised."""

from __future__ import annotations

from pathlib import Path

from anechain.hooks import CERTAIN, NO, POSSIBLE, Verdict

__all__ = ["LISTENER", "READ", "identify", "unreadable_because"]

READ: dict[str, tuple[str, ...]] = {
    "FreeFieldDirectivityTF": ("1.0", "1.1"),
    "GeneralTF": ("1.0", "2.0"),
    "GeneralTF-E": ("1.0",),
    "GeneralFIR": ("1.0",),
    "GeneralFIR-E": ("2.0",),
    "GeneralFIRE": ("1.0",),
}
"""Conventions (with their versions) that can hold a loudspeaker's directivity."""

LISTENER: dict[str, tuple[str, ...]] = {
    "SimpleFreeFieldHRIR": ("1.0",),
    "SimpleFreeFieldHRTF": ("1.0",),
    "SimpleFreeFieldTF": ("1.0",),
}
"""Conventions made for listeners, whose layout some put loudspeakers in: read with `directions: sources` only."""

_ROOM = ("SingleRoomSRIR", "SingleRoomMIMOSRIR", "SingleRoomDRIR", "MultiSpeakerBRIR")
_COEFFICIENTS = ("FreeFieldHRIR", "FreeFieldHRTF")
_HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_UNSURE = POSSIBLE / 2


def unreadable_because(convention: str, version: str) -> str:
    """Reason why a convention is not read; empty if it is."""
    known = READ | LISTENER
    if convention in known:
        if version in known[convention]:
            return ""
        return f"{convention} has the version {version or '(none)'}; known: {', '.join(known[convention])}"
    if convention in _ROOM:
        return f"{convention} describes a room, not a loudspeaker"
    if convention in _COEFFICIENTS:
        return f"{convention} holds coefficients over the sphere of a listener, not directions of a loudspeaker"
    return f"{convention or 'no convention'} is none that holds a loudspeaker's directivity"


def identify(path: Path) -> Verdict:
    """Judge a file by its signature and by the attributes that AES69 demands."""
    try:
        with path.open("rb") as file:
            signature = file.read(len(_HDF5_SIGNATURE))
    except OSError as error:
        return Verdict(NO, f"cannot be opened: {error.strerror or error}")
    if signature != _HDF5_SIGNATURE:
        return Verdict(NO, "does not begin with the signature of HDF5, which AES69 files are")
    import netCDF4

    try:
        with netCDF4.Dataset(path, "r") as file:
            names = file.ncattrs()
            conventions, convention, version = (
                str(file.getncattr(name)) if name in names else ""
                for name in ("Conventions", "SOFAConventions", "SOFAConventionsVersion")
            )
    except (OSError, RuntimeError, ValueError, AttributeError, KeyError, IndexError, TypeError) as error:
        return Verdict(_UNSURE, f"begins as HDF5 but cannot be opened as netCDF (damaged, or cut short): {error}")
    if conventions != "SOFA":
        return Verdict(NO, "is HDF5, but its attribute Conventions is not SOFA")
    what = f"AES69 file, {convention} {version}"
    if convention in LISTENER:
        return Verdict(_UNSURE, f"{what}: describes a listener, not a loudspeaker")
    if reason := unreadable_because(convention, version):
        return Verdict(_UNSURE if convention in READ else NO, f"AES69 file, but {reason}")
    return Verdict(CERTAIN, what)
