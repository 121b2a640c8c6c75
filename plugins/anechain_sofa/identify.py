"""Tell whether a file is an AES69 file with the directivity of a loudspeaker."""

from __future__ import annotations

from pathlib import Path

from anechain.hooks import CERTAIN, NO, POSSIBLE, Verdict
from anechain_sofa.conventions import LISTENER, READ, unreadable_because

__all__ = ["identify"]

_HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_UNSURE = POSSIBLE / 2


def identify(path: Path) -> Verdict:
    """Judge a file by its signature and by the attributes that AES69 requires; never raises an exception."""
    try:
        with path.open("rb") as file:
            signature = file.read(len(_HDF5_SIGNATURE))
    except OSError as error:
        return Verdict(NO, f"cannot be opened: {error.strerror or error}")
    if signature != _HDF5_SIGNATURE:
        return Verdict(NO, "does not begin with the signature of HDF5, the container of AES69 files")
    import netCDF4

    try:
        with netCDF4.Dataset(path, "r") as file:
            names = file.ncattrs()
            conventions, convention, version = (
                str(file.getncattr(name)) if name in names else ""
                for name in ("Conventions", "SOFAConventions", "SOFAConventionsVersion")
            )
    except (OSError, RuntimeError, ValueError, AttributeError, KeyError, IndexError, TypeError) as error:
        return Verdict(_UNSURE, f"begins as HDF5 but cannot be opened as netCDF (damaged or truncated): {error}")
    if conventions != "SOFA":
        return Verdict(NO, "is HDF5, but its attribute Conventions is not SOFA")
    description = f"AES69 file, {convention} {version}"
    if convention in LISTENER:
        return Verdict(_UNSURE, f"{description}: describes a listener, not a loudspeaker")
    if reason := unreadable_because(convention, version):
        return Verdict(_UNSURE if convention in READ else NO, f"AES69 file, but {reason}")
    return Verdict(CERTAIN, description)
