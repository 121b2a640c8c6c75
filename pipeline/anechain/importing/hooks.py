"""What an importer plugin implements: three functions, found through the entry points `anechain.importers`.

A plugin is a module (or an object) with the three functions below, each marked with :data:`hookimpl`.
A bundled importer has no privilege over a third party's.
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
    "LIKELY",
    "NO",
    "POSSIBLE",
    "SLOWEST_IDENTIFY",
    "SLOWEST_LOAD",
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
"""Confidences to use: not mine; could be; looks like it; carries a signature that nothing else has."""

SLOWEST_IDENTIFY = 10.0
"""Seconds an importer has to say whether a file is its own. One that takes longer is named, skipped, and not asked
again by this process: a campaign of a thousand files must not wait for a plugin that hangs."""
SLOWEST_LOAD = 30.0
"""Seconds an importer has to be imported, and then to describe itself; past that it is one that cannot be used."""


@dataclass(frozen=True)
class Verdict:
    """An importer's answer to "is this file yours?".

    Attributes
    ----------
    confidence : float
        From 0 (no) to 1 (certain).
    reason : str
        One line a person can check: what in the file led to the answer.
    """

    confidence: float
    reason: str

    def __post_init__(self) -> None:
        if not 0.0 <= self.confidence <= 1.0:
            raise ValueError(f"confidence is {self.confidence}; it lies between 0 and 1")
        if not self.reason.strip():
            raise ValueError("a verdict needs a reason")


class Options(BaseModel):
    """Base of an importer's options; an unknown key is refused with the nearest right one."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)

    def companion_files(self) -> tuple[Path, ...]:
        """Files named in the options (a manifest, a correction): they are hashed with the raw files."""
        return ()


@dataclass(frozen=True)
class Description:
    """What an importer says of itself.

    Attributes
    ----------
    title : str
        The format's name.
    reads : str
        One line: which files, which content.
    version : str
        The importer's own version; raise it whenever the same file would give other values.
    options : type of Options
        The options it takes, with a description for each field.
    methods : tuple of str
        Ids of the registered methods it uses (see `anechain methods`): their versions go into the receipts.
    gives : tuple of str
        What it can make of raw files: "responses", "harmonics", "impedance", "multitone". It is asked only about files
        that a campaign names as raw exports of one of these.
    """

    title: str
    reads: str
    version: str
    options: type[Options] = Options
    methods: tuple[str, ...] = ()
    gives: tuple[str, ...] = ("responses",)


@dataclass(frozen=True)
class Reading:
    """What an importer made of its files.

    Attributes
    ----------
    responses : xarray.Dataset or None
        The two orbits, as the contract `responses` describes; see :mod:`anechain.importing.assemble`. Among its
        attributes may
        be what the files say of themselves: level_kind ("spl" or "relative"; none where they do not say what their
        decibels refer to), distance in metres, drive in volts, valid_low and valid_high in Hz, licence, origin,
        source_convention.
    sphere : xarray.Dataset or None
        All directions of a full-sphere grid, as the contract `sphere` describes.
    harmonics : xarray.Dataset or None
        Harmonic orders on the reference axis at one or several drives, as the contract `harmonics` describes; its
        attributes may say level_kind and distance as those of the responses do.
    impedance : xarray.Dataset or None
        Electrical impedance at the terminals, as the contract `impedance` describes.
    multitone : xarray.Dataset or None
        Tones of a multitone signal and what lies between them, per band, as the contract `multitone` describes.
    takes : xarray.Dataset or None
        Levels of single recordings on the reference axis in the order they were measured, as the contract `takes`
        describes: what shows a loudspeaker's change while it was driven.
    report : tuple of str
        Everything dropped, repaired, interpolated or assumed, one line each.
    checks : tuple of Check
        What the importer's own checks of its files found; see :mod:`anechain.data.checks`. Those of the responses
        are made
        for every importer. A campaign may state other limits for the kinds that are known there.
    """

    responses: xr.Dataset | None = None
    sphere: xr.Dataset | None = None
    report: tuple[str, ...] = ()
    harmonics: xr.Dataset | None = None
    impedance: xr.Dataset | None = None
    multitone: xr.Dataset | None = None
    takes: xr.Dataset | None = None
    checks: tuple[Check, ...] = ()


class ImporterHooks:
    """The hook specifications."""

    @staticmethod
    @hookspec
    def anechain_describe() -> Description:
        """Say what this importer is, which version it has, and which options it takes."""
        raise NotImplementedError

    @staticmethod
    @hookspec
    def anechain_identify(path: Path) -> Verdict:
        """Say whether the file is one that this importer reads, and why.

        The file exists and is not empty. Look at content before the name, read as little as is needed, never
        raise on junk, never write. A confidence of 0 is "no"; of several importers the highest wins, and a tie
        is refused, so claim no more than the content bears out. Answer within :data:`SLOWEST_IDENTIFY` seconds.

        Called in a thread that is given up, and not stopped, when the time is over: Python cannot stop one safely.
        """
        raise NotImplementedError

    @staticmethod
    @hookspec
    def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
        """Read the files of one device and return its datasets with an import report.

        `options` is an instance of the model in the description, already validated. Files are read in place and
        never changed. What cannot be read raises :class:`anechain.errors.InputError` with one problem per bad file.
        """
        raise NotImplementedError
