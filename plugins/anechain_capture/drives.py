"""Drive of recordings: volts, and the drive of the responses."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from anechain.errors import InputError, Problem
from anechain_capture.files import HERE, RecordedFile
from anechain_capture.options import CaptureOptions

__all__ = ["REFERENCE_VOLTS", "response_drive", "volts_by_drive"]

REFERENCE_VOLTS = 2.83
"""V r.m.s."""


def volts_by_drive(files: Sequence[RecordedFile], options: CaptureOptions) -> dict[str, float]:
    """Return the volts of each drive, if they are known.

    Parameters
    ----------
    files : sequence of RecordedFile
    options : CaptureOptions
        With `drive` or `drives`.

    Returns
    -------
    dict of str to float
        V r.m.s. by the text of {drive}, which is empty if there is one drive only.

    Raises
    ------
    InputError
        If a text of {drive} is neither in `drives` nor a number, or if options and recordings contradict each other.
    """
    volts: dict[str, float] = {}
    problems = []
    for drive in sorted({file.drive for file in files}):
        if drive in options.drives:
            volts[drive] = options.drives[drive]
        elif drive == "":
            if options.drive is not None:
                volts[drive] = options.drive
        else:
            try:
                number = float(drive.replace(",", ".").removesuffix("v"))
            except ValueError:
                number = 0.0
            if number > 0:
                volts[drive] = number
            else:
                label = next(file.label for file in files if file.drive == drive)
                expected = ", ".join(options.drives) or "a number of volts"
                fix = "add the word to the option `drives`"
                problems.append(Problem(label, f"the word {drive!r} in the place of {{drive}}", expected, fix))
    for name in ("drives", "gains"):
        for drive in sorted(getattr(options, name).keys() - {file.drive for file in files}):
            what = f"option `{name}`: no recording has the drive {drive!r}"
            problems.append(Problem(HERE, what, ", ".join(sorted(volts)), "correct the word, or leave it out"))
    if problems:
        raise InputError(problems)
    if options.drive is not None and "" not in volts:
        raise InputError.single(
            HERE, "option `drive` together with a field {drive}", "one of the two", "leave out the option `drive`"
        )
    return volts


def response_drive(
    directions: Iterable[tuple[str, str, float]], volts: Mapping[str, float], options: CaptureOptions
) -> str:
    """Return the drive of the recordings from which the responses are calculated.

    Parameters
    ----------
    directions : iterable of (str, str, float)
        Drive, plane and angle of each recording.
    volts : mapping of str to float
        V r.m.s. of each drive, if known.
    options : CaptureOptions
        The option `response_drive` decides. Without it, it is the drive with the most directions and, of these, the
        one closest to :data:`REFERENCE_VOLTS`.

    Raises
    ------
    InputError
        If no recording has the drive of the option.
    """
    # Each direction counts once, because many takes on the axis are not an orbit.
    counts = Counter(drive for drive, *_ in set(directions))
    if options.response_drive is not None:
        drive = options.response_drive.strip().casefold()
        if drive not in counts:
            raise InputError.single(
                HERE,
                f"option `response_drive`: no recording has the drive {drive!r}",
                ", ".join(sorted(counts)),
                "correct the word, or leave it out",
            )
        return drive
    most = max(counts.values())
    return min(
        (drive for drive, count in counts.items() if count == most),
        key=lambda drive: (abs(np.log(volts.get(drive, 1e9) / REFERENCE_VOLTS)), drive),
    )
