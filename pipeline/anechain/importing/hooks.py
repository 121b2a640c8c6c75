"""The interface of an importer plugin: three functions, found through the entry points `anechain.importers`.

A plugin is a module (or an object) that implements the three functions of :class:`ImporterHooks`, each marked with
:data:`hookimpl`. Bundled importers have no privilege over those of third parties.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pluggy
from pydantic import BaseModel, ConfigDict

from anechain.data.checks import Check

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "CERTAIN",
    "IDENTIFY_TIMEOUT",
    "INTERFACE",
    "LIKELY",
    "LOAD_TIMEOUT",
    "NO",
    "POSSIBLE",
    "Description",
    "ImporterHooks",
    "Options",
    "Reading",
    "Verdict",
    "hookimpl",
    "hookspec",
]

hookspec = pluggy.HookspecMarker("anechain")
hookimpl = pluggy.HookimplMarker("anechain")

NO, POSSIBLE, LIKELY, CERTAIN = 0.0, 0.3, 0.6, 1.0
"""Confidences: not a file of this importer; may be one; looks like one; has a signature that no other format has."""

INTERFACE = 1
"""Version of the interface of importers. It is raised when importers that were written before no longer work."""
IDENTIFY_TIMEOUT = 10.0
"""Time limit of `anechain_identify` in seconds. An importer that exceeds it is reported, skipped, and not called again
by this process: a campaign of a thousand files must not wait for a plugin that hangs."""
LOAD_TIMEOUT = 30.0
"""Time limit in seconds for the import of an importer, and again for its description. An importer that exceeds it
cannot be used."""


@dataclass(frozen=True)
class Verdict:
    """An importer's answer to the question whether a file is one of its own.

    Attributes
    ----------
    confidence : float
        From 0 (no) to 1 (certain).
    reason : str
        One line that a user can check: what in the file led to the answer.
    """

    confidence: float
    reason: str

    def __post_init__(self) -> None:
        if not 0.0 <= self.confidence <= 1.0:
            raise ValueError(f"confidence is {self.confidence}, not a number from 0 to 1")
        if not self.reason.strip():
            raise ValueError("a verdict needs a reason")


class Options(BaseModel):
    """Base class of an importer's options. An unknown key is refused, and the most similar key is suggested."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)

    def companion_files(self) -> tuple[Path, ...]:
        """Return the files that the options name (a manifest, a correction); they are hashed with the raw files."""
        return ()


@dataclass(frozen=True)
class Description:
    """Description of an importer.

    Attributes
    ----------
    title : str
        Name of the format.
    reads : str
        One line: which files it reads, and what they contain.
    version : str
        Version of the importer. Raise it whenever the same file would yield other values.
    options : type of Options
        Model of the importer's options, with a description for each field.
    methods : tuple of str
        Ids of the registered methods that it uses (see `anechain methods`). Their versions go into the receipts.
    sources : tuple of str
        Sources that it can read: "responses", "harmonics", "impedance", "multitone". It is asked only about files
        that a campaign lists as raw exports of one of these.
    interface : int
        Version of this interface that the importer is written for; see :data:`INTERFACE`.
    """

    title: str
    reads: str
    version: str
    options: type[Options] = Options
    methods: tuple[str, ...] = ()
    sources: tuple[str, ...] = ("responses",)
    interface: int = 1


@dataclass(frozen=True)
class Reading:
    """Contents of the files of a device, as its importer read them.

    Attributes
    ----------
    responses : xarray.Dataset or None
        Responses on the two orbits, according to the contract `responses`; see
        :func:`anechain.assemble.assemble_responses`. Its attributes may hold what the files state: level_kind ("spl"
        or "relative"; absent if the files do not state the reference of their decibels), distance in metres, drive
        in volts, valid_low and valid_high in Hz, licence, origin, source_convention.
    sphere : xarray.Dataset or None
        Responses in all directions of a full-sphere grid, according to the contract `sphere`.
    harmonics : xarray.Dataset or None
        Harmonic orders on the reference axis at one or more drives, according to the contract `harmonics`. Its
        attributes may hold level_kind and distance, as those of the responses.
    impedance : xarray.Dataset or None
        Electrical impedance at the terminals, according to the contract `impedance`.
    multitone : xarray.Dataset or None
        Tones of a multitone signal and the distortion between them, per band, according to the contract `multitone`.
    takes : xarray.Dataset or None
        Levels of single recordings on the reference axis in the order of measurement, according to the contract
        `takes`. They show how a loudspeaker changed while it was driven.
    axis : xarray.Dataset or None
        Response on the reference axis at all frequencies that its time window resolves, according to the contract
        `axis`, if the responses have fewer. Time and phase are computed from it.
    report : tuple of str
        One line for everything that was dropped, repaired, interpolated or assumed.
    checks : tuple of Check
        Results of the importer's own checks of its files; see :mod:`anechain.data.checks`. The responses are checked
        for every importer. A campaign may state other limits for the kinds of check that are defined there.
    """

    responses: xr.Dataset | None = None
    sphere: xr.Dataset | None = None
    report: tuple[str, ...] = ()
    harmonics: xr.Dataset | None = None
    impedance: xr.Dataset | None = None
    multitone: xr.Dataset | None = None
    takes: xr.Dataset | None = None
    axis: xr.Dataset | None = None
    checks: tuple[Check, ...] = ()


class ImporterHooks:
    """Specification of the hooks."""

    @staticmethod
    @hookspec
    def anechain_describe() -> Description:
        """Describe this importer: its format, its version and its options."""
        raise NotImplementedError

    @staticmethod
    @hookspec
    def anechain_identify(path: Path) -> Verdict:
        """Return whether this importer reads the file, and why.

        The file exists and is not empty. Judge it by its content rather than its name, read no more of it than
        needed, never raise an exception whatever the file holds, and never write. A confidence of 0 means "no". The
        importer with the highest confidence reads the file, and a tie is refused: state no more confidence than the
        content justifies. Return within :data:`IDENTIFY_TIMEOUT` seconds.

        The hook runs in a thread that is abandoned, not stopped, after that time: Python cannot stop one safely.
        """
        raise NotImplementedError

    @staticmethod
    @hookspec
    def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
        """Read the files of one device, and return its datasets with an import report.

        `options` is a validated instance of the model in the description. Files are read in place and never changed.

        Raises
        ------
        anechain.errors.InputError
            If a file cannot be read; with one problem for each such file.
        """
        raise NotImplementedError
