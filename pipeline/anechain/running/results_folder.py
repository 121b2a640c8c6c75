"""The contents of a results folder: its campaign, its devices and their files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from anechain.errors import InputError

__all__ = ["ResultsFolder"]

_NUMBERS = "numbers.json"
_NO_DEVICES = {"figures", "report"}
_ONCE = {"ro-crate-metadata.json"}
"""Files with time and place of a run, which differ between runs."""
_NO_VALUES_OF_A_DEVICE = ("draw", "compare", "report")
"""Stages whose failure does not affect the values of a device."""


class ResultsFolder:
    """A results folder: its campaign, its devices and their files."""

    def __init__(self, path: Path):
        self.folder = path / "results" if (path / "results").is_dir() else path
        self.campaign = self._campaign()
        names = sorted(
            path.parent.name
            for path in self.folder.glob("*/*")
            if path.parent.name not in _NO_DEVICES and _has_values(path)
        )
        present = dict.fromkeys(name for name in names if not name.startswith("."))
        if not present and not (self.folder / "comparison.nc").is_file():
            raise InputError.single(
                path, "holds no results", "a results folder, or a campaign's folder with one", "run the campaign first"
            )
        named: Mapping[str, Any] = self.campaign.get("devices", {})
        self.failed = self._failed()
        self.remarks = [
            f"the folder {name} is left aside: the campaign does not name this device"
            for name in present
            if named and name not in named
        ]
        self.remarks += [
            f"{name} failed at {stage}; what is left of an earlier run is left aside"
            for name, stage in self.failed.items()
        ]
        self.devices = [
            name
            for name in [*(n for n in named if n in present), *(n for n in present if not named)]
            if name not in self.failed
        ]

    def _campaign(self) -> dict[str, Any]:
        try:
            resolved = json.loads((self.folder / "campaign.json").read_bytes())
            campaign: dict[str, Any] = dict(resolved["campaign"])
            order = [name for name in resolved["order"] if name in campaign["devices"]]
            return campaign | {"devices": {name: dict(campaign["devices"][name]) for name in order}}
        except (OSError, ValueError, KeyError, TypeError):
            return {}

    def _failed(self) -> dict[str, str]:
        from anechain.running.manifests import read_manifest

        failed: dict[str, str] = {}
        for path in sorted((self.folder / ".chain").glob("*/*.json")):
            manifest = read_manifest(path) if path.parent.name not in _NO_VALUES_OF_A_DEVICE else None
            for device, entry in (manifest or {"devices": {}})["devices"].items():
                if "failed" in entry:
                    failed[device] = path.parent.name
        return failed

    def title(self, device: str) -> str:
        """Return the name of a device in print."""
        return str(self.campaign.get("devices", {}).get(device, {}).get("title", ""))

    def absence(self, device: str, called: str) -> str:
        """Return why the folder has no results of a device, empty if unknown; messages name the folder `called`."""
        if device in self.failed:
            return f"it failed in {called} at {self.failed[device]}"
        if device in self.campaign.get("devices", {}):
            return f"the campaign in {called} names it, but there are no results of it"
        return f"the campaign in {called} does not name it" if self.campaign else ""

    def data(self, device: str) -> dict[str, Path]:
        """Return the files of a device with values, by name; the table of curves replaces a missing dataset."""
        folder = self.folder / device
        files = {path.name: path for path in sorted(folder.glob("*")) if path.suffix == ".nc" or path.name == _NUMBERS}
        table = folder / "curves.csv"
        return files if "curves.nc" in files or not table.is_file() else {"curves.nc": table} | files

    def files(self) -> list[str]:
        """Return all output files by their path within the folder."""
        paths = (path.relative_to(self.folder) for path in sorted(self.folder.rglob("*")) if path.is_file())
        shown = (path for path in paths if path.name not in _ONCE and not any(p.startswith(".") for p in path.parts))
        return [path.as_posix() for path in shown]


def _has_values(path: Path) -> bool:
    return path.suffix == ".nc" or path.name in ("curves.csv", _NUMBERS)
