"""Tell whether a container seems to hold spherical-harmonic coefficients."""

from __future__ import annotations

import math
from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, Verdict
from anechain.importing.containers import Container, container_kind, open_container

__all__ = ["identify"]

_NAMES = {"sh", "shd", "coeff", "coeffs", "coefficient", "coefficients"}
_TEXTS = 50


def identify(path: Path) -> Verdict:
    """Look for an array with (N + 1)² rows that the file calls coefficients; never raises on junk."""
    try:
        kind = container_kind(path)
        if kind is None:
            return Verdict(NO, "is no MATLAB, HDF5 or netCDF file")
        with open_container(path, path.name) as container:
            return _judged(container)
    except OSError as error:
        return Verdict(NO, f"cannot be opened: {error.strerror or error}")
    except InputError as input_error:
        return Verdict(NO, input_error.problems[0].what)


def _judged(container: Container) -> Verdict:
    texts = [name for name, one in container.variables.items() if one.kind == "text"][:_TEXTS]
    if any(name == "Conventions" and container.text(name, name) == "SOFA" for name in texts):
        return Verdict(NO, "is an AES69 file")
    told = any("spherical harmonic" in container.text(name, name).casefold() for name in texts)
    for name, one in container.variables.items():
        square = [length for length in one.shape if length >= 4 and math.isqrt(length) ** 2 == length]
        if one.kind != "number" or not square:
            continue
        named = not _NAMES.isdisjoint(part.casefold() for part in name.split("/"))
        if named or told:
            why = f"{name} holds {square[0]} = {math.isqrt(square[0])}² coefficients, to judge by its name"
            return Verdict(LIKELY, f"{container.kind} file: {why}" if named else f"{why} and a text in the file")
    return Verdict(NO, f"{container.kind} file without anything that looks like coefficients over the sphere")
