"""Importer of universal files (UFF, UNV): functions of dataset 58, in text and binary."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.hooks import Description, Reading, Verdict, hookimpl

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    from anechain.importing.direction_options import TAKE_METHODS
    from anechain_uff.options import UffOptions

    return Description(
        title="Universal file, dataset 58",
        reads="frequency responses (impulse responses if declared) of dataset 58 or 58b in universal files (UFF, UNV)",
        version="1",
        options=UffOptions,
        methods=TAKE_METHODS,
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file is a universal file with a dataset 58."""
    from anechain_uff.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the files of one device."""
    from anechain_uff.read import read

    return read(paths, options)
