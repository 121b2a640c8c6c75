"""Identify WAV and FLAC files."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, Verdict
from anechain_capture.sound_files import read_header

__all__ = ["identify"]


def identify(path: Path) -> Verdict:
    """Return whether a file is a complete WAV or FLAC file. Never raises, whatever the content."""
    try:
        with path.open("rb") as file:
            start = file.read(12)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    if not (start[:4] == b"fLaC" or (start[:4] in (b"RIFF", b"RF64") and start[8:] == b"WAVE")):
        return Verdict(NO, "does not begin like a WAV or FLAC file")
    try:
        header = read_header(path, path.name)
    except InputError as input_error:
        return Verdict(POSSIBLE, f"begins like a sound file, but: {input_error.problems[0].what}")
    seconds = header.samples / header.sampling_rate
    return Verdict(LIKELY, f"{header.encoding}, {header.channels} channels, {seconds:.3g} s")
