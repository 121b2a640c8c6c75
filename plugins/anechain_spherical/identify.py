"""Tell whether a container seems to contain spherical-harmonic coefficients."""

from __future__ import annotations

import math
from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, Verdict
from anechain.importing.containers import Container, container_kind, open_container

__all__ = ["identify"]

_NAMES = {"sh", "shd", "coeff", "coeffs", "coefficient", "coefficients"}
_MAX_TEXTS = 50
"""Largest number of texts that are examined."""


def identify(path: Path) -> Verdict:
    """Look for an array with an axis of (N + 1)² elements named coefficients; never raises an exception."""
    try:
        kind = container_kind(path)
        if kind is None:
            return Verdict(NO, "is not a MATLAB, HDF5 or netCDF file")
        with open_container(path, path.name) as container:
            return _verdict(container)
    except OSError as error:
        return Verdict(NO, f"cannot be opened: {error.strerror or error}")
    except InputError as input_error:
        return Verdict(NO, input_error.problems[0].what)


def _verdict(container: Container) -> Verdict:
    texts = [name for name, variable in container.variables.items() if variable.kind == "text"][:_MAX_TEXTS]
    if any(name == "Conventions" and container.text(name, name) == "SOFA" for name in texts):
        return Verdict(NO, "is an AES69 file")
    has_text = any("spherical harmonic" in container.text(name, name).casefold() for name in texts)
    for name, variable in container.variables.items():
        square = [length for length in variable.shape if length >= 4 and math.isqrt(length) ** 2 == length]
        if variable.kind != "number" or not square:
            continue
        has_name = not _NAMES.isdisjoint(part.casefold() for part in name.split("/"))
        if has_name or has_text:
            evidence = "by its name" if has_name else "by a text in the file"
            reason = f"{name} seems to contain {square[0]} = {math.isqrt(square[0])}² coefficients, {evidence}"
            return Verdict(LIKELY, f"{container.kind} file: {reason}")
    return Verdict(NO, f"{container.kind} file without an array that seems to contain coefficients over the sphere")
