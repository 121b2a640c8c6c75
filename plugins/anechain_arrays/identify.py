"""Tell whether a file is a generic container."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import NO, POSSIBLE, Verdict
from anechain.importing.containers import container_kind, open_container

__all__ = ["identify"]

_DAMAGED, _OTHERS = POSSIBLE / 3, POSSIBLE / 6
"""Below what the importers of a kind of file that lies in such a container say of theirs."""


def identify(path: Path) -> Verdict:
    """Look for the signature and list the variables; never raises on junk.

    A container says what it holds only by a declared mapping, so it is no more than possible.
    """
    try:
        kind = container_kind(path)
    except OSError as error:
        return Verdict(NO, f"cannot be opened: {error.strerror or error}")
    if kind is None:
        return Verdict(NO, "is no MATLAB, HDF5 or netCDF file")
    try:
        with open_container(path, path.name) as container:
            if "Conventions" in container.variables and container.text("Conventions", "") == "SOFA":
                return Verdict(_OTHERS, "AES69 file: it has an importer of its own; readable here by a mapping")
            if not any(one.kind == "number" for one in container.variables.values()):
                return Verdict(NO, f"{kind} file without a numeric variable")
            return Verdict(POSSIBLE, f"{kind} file with {container.listing(4)}: a mapping must be declared")
    except InputError as input_error:
        return Verdict(_DAMAGED, input_error.problems[0].what)
