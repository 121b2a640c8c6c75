"""Sound files: what their headers say, whether they are whole, and their samples."""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, Verdict

__all__ = ["Header", "header_of", "identify", "samples_of"]


_LOSSLESS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "PCM_S8": 8, "PCM_U8": 8, "FLOAT": 0, "DOUBLE": 0}
"""Bits of each encoding that is read; 0 for floating point, which has no full scale of its own."""
_UNKNOWN_SIZES = (0, 0xFFFFFFFF)
_AGAIN = "copy or record the file again"


@dataclass(frozen=True)
class Header:
    """What a sound file says of itself.

    Attributes
    ----------
    sampling_rate : int
        Hz.
    channels, samples : int
    bits : int
        Bits per sample; 0 for floating point.
    encoding : str
        For the report.
    """

    sampling_rate: int
    channels: int
    samples: int
    bits: int
    encoding: str


def _chunks_end(file: BinaryIO, size: int) -> str:
    """Why a RIFF or RF64 file is not whole; empty if it is."""
    wide = file.read(12)[:4] == b"RF64"
    data_size = None
    while len(head := file.read(8)) == 8:
        name, length = struct.unpack("<4sI", head)
        if name == b"ds64":
            body = file.read(length)
            data_size = struct.unpack("<Q", body[8:16])[0] if len(body) >= 16 else None
            file.seek(length % 2, os.SEEK_CUR)
            continue
        if name == b"data":
            if wide and length == 0xFFFFFFFF and data_size is not None:
                length = data_size
            elif length in _UNKNOWN_SIZES:
                return "its header was never completed: it does not say how long the recording is"
            there = size - file.tell()
            if length > there:
                return f"cut short: its header announces {length} bytes of samples, and {there} are there"
            return ""
        file.seek(length + length % 2, os.SEEK_CUR)
    return "cut short: it holds no samples"


def header_of(path: Path, label: str) -> Header:
    """Header of a sound file.

    Raises
    ------
    InputError
        If it is no sound file, one whose encoding loses something, or not whole.
    """
    import soundfile

    allowed = "a WAV or FLAC file"
    try:
        with path.open("rb") as file:
            start = file.read(4)
            if start in (b"RIFF", b"RF64"):
                file.seek(0)
                if broken := _chunks_end(file, path.stat().st_size):
                    raise InputError.single(label, broken, "a whole file", _AGAIN)
        info = soundfile.info(str(path))
    except OSError as error:
        raise InputError.single(label, f"cannot be read: {error.strerror}", allowed, "check its rights") from None
    except soundfile.LibsndfileError as error:
        raise InputError.single(
            label, f"cannot be read as a sound file: {error.error_string}", allowed, _AGAIN
        ) from None
    if info.format not in ("WAV", "WAVEX", "RF64", "FLAC"):
        raise InputError.single(label, f"a {info.format} file", allowed, "export it as WAV or FLAC")
    if info.subtype not in _LOSSLESS:
        what = f"its samples are encoded as {info.subtype_info}"
        raise InputError.single(label, what, "16, 24 or 32 bits, or floating point", "record it again without loss")
    if not info.frames:
        raise InputError.single(label, "holds no samples", "a recording", _AGAIN)
    encoding = f"{info.format}, {info.subtype_info}, {info.samplerate} Hz"
    return Header(info.samplerate, info.channels, info.frames, _LOSSLESS[info.subtype], encoding)


def samples_of(path: Path, label: str, header: Header, channels: Sequence[int]) -> Floats:
    """Samples of some channels, full scale being 1.

    Parameters
    ----------
    path, label : Path, str
        The file, and its name in messages.
    header : Header
        Its header.
    channels : sequence of int
        Counted from 1.

    Returns
    -------
    numpy.ndarray, shape (channels, samples)

    Raises
    ------
    InputError
        If a channel is not there, holds nothing but zeros or something that is no number, or the file is damaged.
    """
    import soundfile

    for channel in channels:
        if channel > header.channels:
            raise InputError.single(
                label,
                f"channel {channel} is asked for, and it has {header.channels}",
                f"channels 1 to {header.channels}",
                "correct the channel in the importer's options",
            )
    try:
        values, _ = soundfile.read(str(path), dtype="float64", always_2d=True)
    except soundfile.LibsndfileError as error:
        raise InputError.single(label, f"damaged: {error.error_string}", "a whole file", _AGAIN) from None
    if values.shape[0] != header.samples:
        what = f"cut short: its header announces {header.samples} samples, and {values.shape[0]} are there"
        raise InputError.single(label, what, "a whole file", _AGAIN)
    chosen: Floats = np.ascontiguousarray(values[:, [channel - 1 for channel in channels]].T)
    for channel, row in zip(channels, chosen, strict=True):
        if not np.isfinite(row).all():
            at = int(np.argmin(np.isfinite(row)))
            raise InputError.single(label, f"sample {at + 1} of channel {channel} is no number", "numbers", _AGAIN)
        if not row.any():
            raise InputError.single(
                label, f"channel {channel} is silent throughout", "a recording", "check cables and the channel's number"
            )
    return chosen


def identify(path: Path) -> Verdict:
    """Say whether a file is a WAV or FLAC file that is whole; never raises on junk."""
    try:
        with path.open("rb") as file:
            start = file.read(12)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    if not (start[:4] == b"fLaC" or (start[:4] in (b"RIFF", b"RF64") and start[8:] == b"WAVE")):
        return Verdict(NO, "does not begin as a WAV or FLAC file does")
    try:
        header = header_of(path, path.name)
    except InputError as input_error:
        return Verdict(POSSIBLE, f"begins as a sound file, but: {input_error.problems[0].what}")
    seconds = header.samples / header.sampling_rate
    return Verdict(LIKELY, f"{header.encoding}, {header.channels} channels, {seconds:.3g} s")
