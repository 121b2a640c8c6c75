"""Importer for raw captures: one recording of a swept sine, or one impulse response, per direction."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.hooks import Description, Reading, Verdict, hookimpl

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    from anechain_capture.options import CaptureOptions
    from anechain_capture.read import METHODS

    return Description(
        title="Recorded sweeps and impulse responses, one file per direction",
        reads="WAV and FLAC: recordings of swept sines with their excitation, impulse responses, or multitone signals",
        version="2",
        options=CaptureOptions,
        methods=METHODS,
        sources=("responses", "harmonics", "multitone"),
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file is a WAV or FLAC file."""
    from anechain_capture.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the files of one device."""
    from anechain_capture.read import read

    return read(paths, options)
