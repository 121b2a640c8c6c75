"""Which drive each file of harmonics belongs to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import PurePath

from anechain.errors import InputError, Problem
from anechain_columns.options import ColumnsOptions, pattern_tokens

__all__ = ["volts_of_files"]

_WORD = r"(?P<drive>[^\W_]+(?:[.,][0-9]+)?)"
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")


def volts_of_files(files: Mapping[str, PurePath], options: ColumnsOptions, where: str) -> dict[str, float]:
    """Volts r.m.s. of each file, by its label.

    Raises
    ------
    InputError
        With every file whose drive is not known, every drive that two files have, and every name in `drives` that no
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
            word, allowed = _word(path, options.pattern), f"names like {options.pattern!r}"
            if word is None:
                problems.append(Problem(label, "the file name does not fit the pattern", allowed, "correct `pattern`"))
                continue
        elif len(files) == 1 and not drives:
            word, allowed = None, "volts r.m.s. at the terminals"
        else:
            word = next((one for one in (label.casefold(), path.name.casefold()) if one in drives), None)
            allowed = "a file name in the option `drives`, or a `pattern` with {drive}"
        if word is not None and word in drives:
            volts[label] = drives[word]
            used.add(word)
        elif word is not None and _NUMBER.fullmatch(word) and float(word.replace(",", ".")) > 0:
            volts[label] = float(word.replace(",", "."))
        elif word is not None:
            allowed = ", ".join(drives) or "a number of volts"
            problems.append(
                Problem(label, f"the word {word!r} in the place of {{drive}}", allowed, "add it to `drives`")
            )
        else:
            fix = "say so by the option `drive`" if len(files) == 1 else "say so by the option `drives` or `pattern`"
            problems.append(Problem(label, "at which drive it was measured is not known", allowed, fix))
    problems += [
        Problem(
            where, f"option `drives`: no file has the drive or name {word!r}", ", ".join(files), "correct the option"
        )
        for word in sorted(drives.keys() - used)
    ]
    by_volts: dict[float, list[str]] = {}
    for label, value in volts.items():
        by_volts.setdefault(value, []).append(label)
    problems += [
        Problem(labels[1], f"has the drive {value:g} V, as {labels[0]} has", "one file for each drive", "leave one out")
        for value, labels in by_volts.items()
        if len(labels) > 1
    ]
    if problems:
        raise InputError(problems)
    return volts


def _word(path: PurePath, pattern: str) -> str | None:
    """Word of {drive} in a file's name, in lower case; None if the name does not fit."""
    tokens = pattern_tokens(pattern)
    parts = {"{drive}": _WORD, "{any}": ".*?"}
    expression = "".join(parts.get(token) or re.escape(token) for token in tokens)
    name = "/".join(path.parts[-1 - pattern.count("/") :])
    found = re.fullmatch(expression, name, re.IGNORECASE | re.DOTALL)
    return found["drive"].casefold() if found else None
