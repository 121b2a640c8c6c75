"""Sound files: header, completeness and samples."""

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
from anechain.hooks import check_size

__all__ = ["SoundHeader", "read_header", "read_samples"]


_BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "PCM_S8": 8, "PCM_U8": 8, "FLOAT": 0, "DOUBLE": 0}
"""Bits per sample of each lossless encoding; 0 for floating point, which has no full scale of its own."""
_UNKNOWN_SIZES = (0, 0xFFFFFFFF)
"""Sizes in a header that a recorder writes first and replaces when the recording ends."""
_FIX = "copy or record the file again"


@dataclass(frozen=True)
class SoundHeader:
    """Header of a sound file.

    Attributes
    ----------
    sampling_rate : int
        Hz.
    channels, samples : int
    bits : int
        Bits per sample; 0 for floating point.
    encoding : str
        File format, encoding and sampling rate, for the report.
    """

    sampling_rate: int
    channels: int
    samples: int
    bits: int
    encoding: str


def _incomplete_reason(file: BinaryIO, size: int) -> str:
    """Return why a RIFF or RF64 file is not complete; empty if it is complete."""
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
                return "its header was never completed: it does not state the length of the recording"
            available = size - file.tell()
            if length > available:
                return f"cut short: its header states {length} bytes of samples, but the file has {available}"
            return ""
        file.seek(length + length % 2, os.SEEK_CUR)
    return "cut short: it has no samples"


def read_header(path: Path, label: str) -> SoundHeader:
    """Read the header of a sound file.

    Parameters
    ----------
    path, label : Path, str
        The file, and its name in messages.

    Raises
    ------
    InputError
        If it is no sound file, is not complete, or has a lossy encoding.
    """
    import soundfile

    expected = "a WAV or FLAC file"
    try:
        with path.open("rb") as file:
            start = file.read(4)
            if start in (b"RIFF", b"RF64"):
                file.seek(0)
                if reason := _incomplete_reason(file, path.stat().st_size):
                    raise InputError.single(label, reason, "a complete file", _FIX)
        info = soundfile.info(str(path))
    except OSError as error:
        raise InputError.single(label, f"cannot be read: {error.strerror}", expected, "check its permissions") from None
    except soundfile.LibsndfileError as error:
        raise InputError.single(
            label, f"cannot be read as a sound file: {error.error_string}", expected, _FIX
        ) from None
    if info.format not in ("WAV", "WAVEX", "RF64", "FLAC"):
        raise InputError.single(label, f"a {info.format} file", expected, "export it as WAV or FLAC")
    if info.subtype not in _BITS:
        what = f"its samples are encoded as {info.subtype_info}"
        raise InputError.single(
            label, what, "16, 24 or 32 bits, or floating point", "record it again without lossy compression"
        )
    if not info.frames:
        raise InputError.single(label, "has no samples", "a recording", _FIX)
    encoding = f"{info.format}, {info.subtype_info}, {info.samplerate} Hz"
    return SoundHeader(info.samplerate, info.channels, info.frames, _BITS[info.subtype], encoding)


def read_samples(path: Path, label: str, header: SoundHeader, channels: Sequence[int]) -> Floats:
    """Read the samples of some channels.

    Parameters
    ----------
    path, label : Path, str
        The file, and its name in messages.
    header : SoundHeader
        Its header.
    channels : sequence of int
        Counted from 1.

    Returns
    -------
    numpy.ndarray, shape (channels, samples)
        Full scale is 1.

    Raises
    ------
    InputError
        If a channel does not exist, has only zeros or a sample that is not finite, or if the file is damaged.
    """
    import soundfile

    for channel in channels:
        if channel > header.channels:
            raise InputError.single(
                label,
                f"channel {channel} is needed, but the file has {header.channels}",
                f"channels 1 to {header.channels}",
                "correct the channel in the importer's options",
            )
    # All channels are read, then some of them copied.
    check_size(label, 8.0 * header.samples * (header.channels + len(channels)))
    try:
        values, _ = soundfile.read(str(path), dtype="float64", always_2d=True)
    except soundfile.LibsndfileError as error:
        raise InputError.single(label, f"damaged: {error.error_string}", "a complete file", _FIX) from None
    if values.shape[0] != header.samples:
        what = f"cut short: its header states {header.samples} samples, but the file has {values.shape[0]}"
        raise InputError.single(label, what, "a complete file", _FIX)
    samples: Floats = np.ascontiguousarray(values[:, [channel - 1 for channel in channels]].T)
    for channel, row in zip(channels, samples, strict=True):
        if not np.isfinite(row).all():
            first = int(np.argmin(np.isfinite(row)))
            raise InputError.single(label, f"sample {first + 1} of channel {channel} is not a number", "numbers", _FIX)
        if not row.any():
            raise InputError.single(
                label,
                f"channel {channel} has only zeros",
                "a recording",
                "check the cables and the channel in the options",
            )
    return samples
