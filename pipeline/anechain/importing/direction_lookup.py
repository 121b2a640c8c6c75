"""Directions of files, and of titles inside a file, as the naming options say."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path, PurePath

from anechain.errors import InputError, Problem
from anechain.importing.direction_manifest import directions_of_manifest
from anechain.importing.direction_names import Direction, direction_of_name
from anechain.importing.direction_options import NamingOptions

__all__ = ["direction_of_title", "directions_of_files", "without_manifest"]

_SLASH = "\N{DIVISION SLASH}"


def direction_of_title(title: str, kind: str, where: str, options: NamingOptions) -> Direction:
    """Direction that a title gives by the pattern in the options.

    Parameters
    ----------
    title : str
        A column's title, a record's description.
    kind : str
        What the title is, for messages: "column title".
    where : str
        Name for messages.
    options : NamingOptions
        With a pattern.

    Raises
    ------
    InputError
        If the title does not fit the pattern, or gives a direction that cannot be.
    """
    try:
        # A slash is no folder here, as it would be in a file's name.
        marked = options.model_copy(update={"pattern": (options.pattern or "").replace("/", _SLASH)})
        return direction_of_name(PurePath(title.replace("/", _SLASH)), where, marked)
    except InputError as input_error:
        raise InputError(
            replace(
                problem,
                what=problem.what.replace("file name", kind).replace(_SLASH, "/"),
                expected=problem.expected.replace("names like", f"{kind}s like").replace(_SLASH, "/"),
                fix=f"correct the option `pattern`, or the {kind}",
            )
            for problem in input_error.problems
        ) from None


def directions_of_files(
    files: Mapping[str, Path], folder: Path, options: NamingOptions
) -> tuple[dict[str, Direction], list[Problem]]:
    """Direction of each file by the pattern or the manifest in the options.

    Parameters
    ----------
    files : mapping of str to Path
        By the labels that messages use; the manifest is not among them.
    folder : Path
        Folder that a relative manifest starts from.
    options : NamingOptions
        With a pattern or a manifest.

    Returns
    -------
    directions : dict of str to Direction
    problems : list of Problem
    """
    if options.manifest is not None:
        path = Path(os.path.abspath(folder / options.manifest))  # noqa: PTH100 - links stay as they are named
        where = options.manifest.name
        try:
            text = path.read_text(encoding="utf-8-sig")
        except OSError as error:
            return {}, [Problem(where, f"cannot be read: {error.strerror}", "a readable file", "check that it exists")]
        except UnicodeDecodeError:
            return {}, [Problem(where, "is not text in UTF-8", "a table in UTF-8", "save it as UTF-8")]
        return directions_of_manifest(text, where, files, options)
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []
    for label, path in files.items():
        try:
            directions[label] = direction_of_name(path, label, options)
        except InputError as input_error:
            problems.extend(input_error.problems)
    return directions, problems


def without_manifest(files: Mapping[str, Path], folder: Path, options: NamingOptions) -> dict[str, Path]:
    """Files without the manifest, which may be among the raw files."""
    if options.manifest is None:
        return dict(files)
    manifest = Path(os.path.abspath(folder / options.manifest))  # noqa: PTH100
    return {label: path for label, path in files.items() if path != manifest}
