"""Drive of each file of harmonics."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import PurePath

from anechain.errors import InputError, Problem
from anechain.importing.name_patterns import WORD_OR_NUMBER, match_tokens
from anechain_columns.options import ColumnsOptions, drive_pattern_tokens

__all__ = ["volts_of_files"]

_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")


def volts_of_files(files: Mapping[str, PurePath], options: ColumnsOptions, where: str) -> dict[str, float]:
    """Return the drive of each file in V r.m.s.

    Parameters
    ----------
    files : mapping of str to PurePath
        By their labels in messages.
    options : ColumnsOptions
        With `drive`, `drives` or `pattern`.
    where : str
        Name of the importer for error messages.

    Returns
    -------
    dict of str to float
        By label.

    Raises
    ------
    InputError
        With every file without a known drive, every drive that two files have, and every name in `drives` that no
        file has.
    """
    problems: list[Problem] = []
    volts: dict[str, float] = {}
    drives = {word.casefold(): value for word, value in options.drives.items()}
    used: set[str] = set()
    for label, path in files.items():
        if options.drive is not None and len(files) == 1:
            volts[label] = options.drive
            continue
        if options.pattern is not None:
            word, expected = _drive_word(path, options.pattern), f"names like {options.pattern!r}"
            if word is None:
                problems.append(Problem(label, "the file name does not fit the pattern", expected, "correct `pattern`"))
                continue
        elif len(files) == 1 and not drives:
            word, expected = None, "V r.m.s. at the terminals"
        else:
            word = next((name for name in (label.casefold(), path.name.casefold()) if name in drives), None)
            expected = "a file name in the option `drives`, or a `pattern` with {drive}"
        if word is not None and word in drives:
            volts[label] = drives[word]
            used.add(word)
        elif word is not None and _NUMBER.fullmatch(word) and float(word.replace(",", ".")) > 0:
            volts[label] = float(word.replace(",", "."))
        elif word is not None:
            expected = ", ".join(drives) or "a number of volts"
            problems.append(
                Problem(label, f"the word {word!r} in the place of {{drive}}", expected, "add it to `drives`")
            )
        else:
            fix = "set the option `drive`" if len(files) == 1 else "set the option `drives` or `pattern`"
            problems.append(Problem(label, "its drive is not known", expected, fix))
    problems += [
        Problem(
            where, f"option `drives`: no file has the drive or name {word!r}", ", ".join(files), "correct the option"
        )
        for word in sorted(drives.keys() - used)
    ]
    labels_of_drive: dict[float, list[str]] = {}
    for label, value in volts.items():
        labels_of_drive.setdefault(value, []).append(label)
    problems += [
        Problem(labels[1], f"has the drive {value:g} V, like {labels[0]}", "one file for each drive", "leave one out")
        for value, labels in labels_of_drive.items()
        if len(labels) > 1
    ]
    if problems:
        raise InputError(problems)
    return volts


def _drive_word(path: PurePath, pattern: str) -> str | None:
    """Return the text of {drive} in a file's name, in lower case; None if the name does not fit the pattern."""
    name = "/".join(path.parts[-1 - pattern.count("/") :])
    match = match_tokens(drive_pattern_tokens(pattern), name, {"drive": WORD_OR_NUMBER})
    return None if match is None else match[0]["drive"].casefold()
