"""A sample of an importer, and its files in a folder."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["Case", "Sample"]


@dataclass(frozen=True)
class Sample:
    """Files of one device that the importer reads together.

    Attributes
    ----------
    files : sequence of Path
        The raw files, with different names. They are copied before anything is done with them.
    options : mapping
        The importer's options, as a campaign states them. A path in them is the name of one of `companions`.
    companions : sequence of Path
        Files that the options name.
    source : str
        What the files contain: "responses", "harmonics", "impedance" or "multitone".
    setup : mapping
        The set-up, as a campaign states it, such as {"level_kind": "spl", "distance": 2.0, "drive": 2.83}.
    report_contains : sequence of str
        Texts that the import report must contain: what is dropped, repaired or assumed in these files.
    needs_name : bool
        True if a campaign has to name the importer, because the files do not differ from those of other importers.
    """

    files: Sequence[Path]
    options: Mapping[str, Any] = field(default_factory=dict)
    companions: Sequence[Path] = ()
    source: str = "responses"
    setup: Mapping[str, Any] = field(default_factory=dict)
    report_contains: Sequence[str] = ()
    needs_name: bool = False


@dataclass(frozen=True)
class Case:
    """A sample with all its files in one folder, as a campaign has them."""

    number: int
    folder: Path
    files: tuple[Path, ...]
    sample: Sample

    def __str__(self) -> str:
        names = ", ".join(path.name for path in self.files[:3]) + ", ..." * (len(self.files) > 3)
        return f"sample {self.number} ({names})"

    def copied(self, folder: Path) -> Case:
        """Copy the case into another folder."""
        target = folder / self.folder.name
        shutil.copytree(self.folder, target)
        return Case(self.number, target, tuple(target / path.name for path in self.files), self.sample)
