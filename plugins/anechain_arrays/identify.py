"""Tell whether a file is a generic container."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import NO, POSSIBLE, Verdict
from anechain.importing.containers import container_kind, open_container

__all__ = ["identify"]

_DAMAGED, _AES69 = POSSIBLE / 3, POSSIBLE / 6
"""Confidences below those of importers whose format uses such a container."""


def identify(path: Path) -> Verdict:
    """Look for the signature and list the variables; never raises an exception.

    Any container may hold responses, and only a declared mapping states which: the confidence is "possible".
    """
    try:
        kind = container_kind(path)
    except OSError as error:
        return Verdict(NO, f"cannot be opened: {error.strerror or error}")
    if kind is None:
        return Verdict(NO, "is not a MATLAB, HDF5 or netCDF file")
    try:
        with open_container(path, path.name) as container:
            if "Conventions" in container.variables and container.text("Conventions", "") == "SOFA":
                return Verdict(_AES69, "AES69 file: another importer reads it; readable here with a mapping")
            if not any(variable.kind == "number" for variable in container.variables.values()):
                return Verdict(NO, f"{kind} file without a numeric variable")
            return Verdict(POSSIBLE, f"{kind} file with {container.listing(4)}: a mapping must be declared")
    except InputError as input_error:
        return Verdict(_DAMAGED, input_error.problems[0].what)
