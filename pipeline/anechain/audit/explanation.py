"""Why two results differ: the differences device by device, their causes, and what else changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from anechain.audit.causes import Cause
from anechain.data.changes import DeviceChange

__all__ = ["DEFAULT_TOLERANCE", "Explanation"]

DEFAULT_TOLERANCE = 0.01
"""dB up to which two levels count as the same: the resolution of the figures."""


@dataclass(frozen=True)
class Explanation:
    """What differs between two results, and why.

    Attributes
    ----------
    old, new : Path
        The two compared folders or files.
    tolerance : float
        dB up to which two levels count as the same.
    devices : tuple of DeviceChange
        Every device that both sides have.
    causes : tuple of (Cause, tuple of str)
        The causes of the differences, each with the ids of the devices it applies to; numbered from 1.
    causes_without_effect : tuple of (Cause, tuple of str)
        What changed as well, but cannot affect any value that differs.
    software : tuple of Cause
        Versions of software that differ: possible causes only.
    only_old, only_new : dict of str to str
        Devices that only one side has, with the reason if it is known.
    identical_files, different_files : int
        Files of the same name that are identical byte for byte, and that are not.
    unpaired_files : tuple of (int, int)
        Files that only the old, and only the new side has.
    notes : tuple of str
        Other remarks for the reader.
    inputs : tuple of (str, Path)
        The compared files that differ, with their roles in a receipt.
    """

    old: Path
    new: Path
    tolerance: float
    devices: tuple[DeviceChange, ...]
    causes: tuple[tuple[Cause, tuple[str, ...]], ...]
    causes_without_effect: tuple[tuple[Cause, tuple[str, ...]], ...]
    software: tuple[Cause, ...]
    only_old: Mapping[str, str]
    only_new: Mapping[str, str]
    identical_files: int
    different_files: int
    unpaired_files: tuple[int, int]
    notes: tuple[str, ...]
    inputs: tuple[tuple[str, Path], ...]

    @property
    def differs(self) -> bool:
        """Whether any value differs, or only one side has a device."""
        return bool(self.only_old or self.only_new or any(device.differences for device in self.devices))
