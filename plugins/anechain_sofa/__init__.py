"""Importer of AES69 (SOFA) files: measured directivity and impulse responses around a loudspeaker."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from anechain.hooks import Description, Reading, Verdict, hookimpl
from anechain_sofa.options import SofaOptions

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Say what this importer is."""
    return Description(
        title="AES69 (SOFA)",
        reads="transfer functions or impulse responses of a loudspeaker over directions, in one AES69 file",
        version="1",
        options=SofaOptions,
        methods=("solid-angle-weights", "sphere-interpolation"),
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Say whether a file is an AES69 file of a kind that is read here."""
    from anechain_sofa.conventions import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: SofaOptions) -> Reading:
    """Read one device's AES69 file."""
    from anechain_sofa.read import read

    return read(paths, options)
