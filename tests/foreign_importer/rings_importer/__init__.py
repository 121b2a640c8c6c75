"""Importer of ring files: one text file for one orbit.

The format, invented for the tests::

    rings 1
    orbit horizontal
    hertz 100 1000 10000
    -90 78.1 76.4 75.0
    0 84.0 84.0 84.0

A line for each direction: its angle, then a level in dB for each frequency. Lines that begin with "%" are remarks.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import Field

from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import CERTAIN, NO, Description, Options, Reading, Verdict, hookimpl

SIGNATURE = "rings 1"


class RingOptions(Options):
    """What a campaign can say of ring files."""

    turned: Literal["left", "right"] = Field(default="left", description="side of positive horizontal angles")
    correction: Path | None = Field(default=None, description="file with one offset in dB for all levels")

    def companion_files(self) -> tuple[Path, ...]:
        """The correction is hashed with the raw files."""
        return (self.correction,) if self.correction is not None else ()


@hookimpl
def anechain_describe() -> Description:
    """Say what this importer is."""
    return Description("Ring files", "one text file for each orbit", "2.1", RingOptions)


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Look for the first line that all ring files have."""
    with path.open("rb") as file:
        begins = file.read(len(SIGNATURE)) == SIGNATURE.encode()
    return (
        Verdict(CERTAIN, f"begins with “{SIGNATURE}”") if begins else Verdict(NO, f"does not begin with “{SIGNATURE}”")
    )


@hookimpl
def anechain_read(paths: Sequence[Path], options: RingOptions) -> Reading:
    """Read the orbits of one device."""
    report: list[str] = []
    problems: list[Problem] = []
    curves: list[Curve] = []
    offset = 0.0
    if options.correction is not None:
        offset = float(options.correction.read_text())
        report.append(f"{offset:+g} dB added to all levels, from {options.correction.name}")
    for path in paths:
        try:
            curves += read_orbit(path, -1 if options.turned == "right" else 1, offset, report)
        except (ValueError, IndexError) as error:
            problems.append(Problem(path.name, f"is not a whole ring file: {error}", fix="write it again"))
    if problems:
        raise InputError(problems)
    return Reading(responses=assemble_responses(curves, report), report=tuple(report))


def read_orbit(path: Path, side: int, offset: float, report: list[str]) -> list[Curve]:
    """Read one file."""
    lines = path.read_text(encoding="utf-8").splitlines()
    if lines[0] != SIGNATURE:
        raise ValueError(f"it does not begin with “{SIGNATURE}”")
    remarks = sum(line.startswith("%") for line in lines)
    if remarks:
        report.append(f"{path.name}: {remarks} remarks dropped")
    _, orbit, hertz, *rows = [line.split() for line in lines if not line.startswith("%")]
    if orbit[1] not in ("horizontal", "vertical") or not rows:
        raise ValueError("it needs the orbit, horizontal or vertical, and a line for each direction")
    frequency = np.array(hertz[1:], dtype=float)
    curves = []
    for row in rows:
        angle, *level = map(float, row)
        if len(level) != frequency.size:
            raise ValueError(f"{len(level)} levels at {angle:g}° for {frequency.size} frequencies")
        if not np.isfinite(level).all():
            report.append(f"{path.name}: levels at {angle:g}° are missing")
        sign = side if orbit[1] == "horizontal" else 1
        curves.append(Curve(orbit[1], sign * angle, frequency, np.array(level) + offset, source=path.name))
    return curves
