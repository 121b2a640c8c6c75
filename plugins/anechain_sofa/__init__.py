"""Importer of AES69 (SOFA) files: measured directivity and impulse responses around a loudspeaker."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from anechain.hooks import Description, Reading, Verdict, hookimpl
from anechain_sofa.options import SofaOptions

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    return Description(
        title="AES69 (SOFA)",
        reads="transfer functions or impulse responses of a loudspeaker over directions, in one AES69 file",
        version="1",
        options=SofaOptions,
        methods=("solid-angle-weights", "sphere-interpolation"),
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file is an AES69 file with a loudspeaker's directivity."""
    from anechain_sofa.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: SofaOptions) -> Reading:
    """Read the AES69 file of one device."""
    from anechain_sofa.read import read

    return read(paths, options)
