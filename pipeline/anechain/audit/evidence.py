"""What the receipts of two results show: the causes between each pair of files, collected over all files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from anechain.audit.causes import Cause, differing_steps

__all__ = ["Evidence", "ReceiptPair", "receipt_device"]


@dataclass
class Evidence:
    """What is collected while the files of two results are compared.

    Attributes
    ----------
    tolerance : float
        dB up to which two levels count as the same.
    causes : dict of bytes to (Cause, dict of str to None)
        Every cause by its key, with the devices it applies to.
    numbers : dict of bytes to int
        Numbers of the causes by key, from 0.
    effective : set of bytes
        Keys of the causes that can affect a value that differs.
    software : dict of bytes to Cause
        Versions of software that differ.
    inputs : list of (str, Path)
        The compared files, with their roles in a receipt.
    notes : dict of str to None
        Remarks for the reader, each once.
    """

    tolerance: float
    causes: dict[bytes, tuple[Cause, dict[str, None]]] = field(default_factory=dict)
    numbers: dict[bytes, int] = field(default_factory=dict)
    effective: set[bytes] = field(default_factory=set)
    software: dict[bytes, Cause] = field(default_factory=dict)
    inputs: list[tuple[str, Path]] = field(default_factory=list)
    notes: dict[str, None] = field(default_factory=dict)

    def add_cause(self, cause: Cause, device: str) -> None:
        """Add a cause; `device` is empty if it applies to all devices."""
        self.numbers.setdefault(cause.key, len(self.numbers))
        _, devices = self.causes.setdefault(cause.key, (cause, {}))
        if device:
            devices[device] = None

    def add_software(self, software: list[Cause]) -> None:
        """Add versions of software that differ."""
        self.software |= {cause.key: cause for cause in software}

    def add_note(self, note: str) -> None:
        """Add a remark for the reader."""
        self.notes[note] = None


class ReceiptPair:
    """The receipts of an old and a new file, and the causes between them.

    Parameters
    ----------
    evidence : Evidence
        Receives causes, software, notes and inputs.
    device : str
        The device the files belong to; empty for files of all devices.
    paths : tuple of (Path or None, Path or None)
        The old and the new file; None for a file that does not exist.
    roles : tuple of (str, str)
        Their roles in a receipt: "old/..." and "new/...".

    Attributes
    ----------
    receipts : tuple of (dict or None, dict or None)
        The two receipts; None where there is none that can be read.
    causes : list of (Cause, str)
        What differs between them, and the device it applies to (empty for all).
    complete : bool
        Whether both receipts can be read.
    """

    def __init__(self, evidence: Evidence, device: str, paths: tuple[Path | None, Path | None], roles: tuple[str, str]):
        self.causes: list[tuple[Cause, str]] = []
        receipts: list[dict[str, Any] | None] = []
        for path, role in zip(paths, roles, strict=True):
            receipts.append(self._read(path, role) if path is not None else None)
            if path is not None and (role, path) not in evidence.inputs:
                evidence.inputs.append((role, path))
        self.receipts = tuple(receipts)
        old, new = self.receipts
        self.complete = old is not None and new is not None
        if old is not None and new is not None:
            causes, software = differing_steps(old, new, device)
            self.causes += causes
            evidence.add_software(software)
        for path, role, receipt in zip(paths, roles, self.receipts, strict=True):
            if path is not None and receipt is None:
                evidence.add_note(f"{_file_label(role)} has no readable receipt: its inputs and methods are unknown")
        for cause, cause_device in self.causes:
            evidence.add_cause(cause, cause_device)

    def _read(self, path: Path, role: str) -> dict[str, Any] | None:
        from anechain.data.store import check_receipt

        examined = check_receipt(path)
        if examined.receipt is not None and examined.wrong:
            self.causes.append((Cause("file", _file_label(role), "unaltered", "; ".join(examined.wrong)), ""))
        return examined.receipt

    def parameters(self, step: str, device: str) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
        """Return the parameters of a kind of step on either side; empty where they are unknown."""
        old, new = (_step_parameters(receipt, step, device) for receipt in self.receipts)
        return old, new


def _step_parameters(receipt: Mapping[str, Any] | None, method: str, device: str) -> Mapping[str, Any]:
    for step in (receipt or {"steps": {}})["steps"].values():
        parameters: Mapping[str, Any] = step["parameters"]
        if step["method"] == method and (not device or parameters.get("device", device) == device):
            return parameters
    return {}


def _file_label(role: str) -> str:
    """Return "OLD rowan/curves.nc" for the role "old/rowan/curves.nc"."""
    side, _, name = role.partition("/")
    return f"{side.upper()} {name}"


def receipt_device(receipt: Mapping[str, Any] | None) -> str:
    """Return the device that the steps of a receipt name; empty if they name none or several."""
    if receipt is None:
        return ""
    names = {str(step["parameters"].get("device", "")) for step in receipt["steps"].values()} - {""}
    return names.pop() if len(names) == 1 else ""
