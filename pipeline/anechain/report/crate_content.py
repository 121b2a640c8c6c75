"""What an RO-Crate describes, apart from the campaign: files, workflow steps, set-ups, software, the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["CrateContent", "CrateFile", "Run", "Step"]


@dataclass(frozen=True)
class CrateFile:
    """An input or output file of a run.

    Attributes
    ----------
    path : str
        Of an input, relative to the campaign's folder; of an output, relative to the results.
    sha256 : str
        64 hex digits.
    size : int
        Bytes.
    slot : str
        Input or output of the workflow that the file belongs to: "campaign" or "raw"; "resolved", or the stage that
        made it.
    devices : tuple of str
        Devices that it is about.
    derived_from : tuple of str
        Identifiers in the crate of the files that it was made from.
    """

    path: str
    sha256: str
    size: int
    slot: str
    devices: tuple[str, ...] = ()
    derived_from: tuple[str, ...] = ()


@dataclass(frozen=True)
class Step:
    """A stage of the workflow: its name, title and version, and the versions of the methods that it uses."""

    name: str
    title: str
    version: int
    methods: Mapping[str, int]


@dataclass(frozen=True)
class Run:
    """Start and end of a run (UTC), and the devices that it left out, with the reasons.

    `started` is None if the start is not known: some schedulers start jobs in an environment of their own.
    """

    started: str | None
    ended: str
    failed: Mapping[str, str]


@dataclass(frozen=True)
class CrateContent:
    """Everything that a crate describes, except the campaign and the run.

    Attributes
    ----------
    inputs, outputs : tuple of CrateFile
        In the order of the crate.
    workflow : tuple of str
        Paths of the workflow's files, relative to the results, the Snakefile first.
    setups : mapping of str to mapping
        Attributes of the measurement of each device, from its dataset.
    steps : tuple of Step
        In the order of the workflow.
    software : mapping of str to str
        Versions of Anechain, of Python and of the libraries that affect results, by name.
    """

    inputs: tuple[CrateFile, ...]
    outputs: tuple[CrateFile, ...]
    workflow: tuple[str, ...]
    setups: Mapping[str, Mapping[str, Any]]
    steps: tuple[Step, ...]
    software: Mapping[str, str]
