"""Find the raw files that a campaign names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from anechain.campaign.file import Device
from anechain.errors import InputError, Problem
from anechain.regular_files import require_regular_file

__all__ = ["is_file", "matching_files", "resolve_files", "texts_in"]


def texts_in(options: object) -> Iterator[str]:
    """Yield all texts in an importer's options, any of which may name a file."""
    if isinstance(options, str):
        yield options
    elif isinstance(options, Mapping | list | tuple):
        for value in options.values() if isinstance(options, Mapping) else options:
            yield from texts_in(value)


def is_file(path: Path) -> bool:
    """Return whether a path is a file; False for a path that the system cannot look up."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def matching_files(folder: Path, pattern: str) -> list[Path]:
    """Return the files that a pattern of the campaign matches, sorted; a name without wildcards as it is."""
    # A file whose name contains wildcards, such as "alder [2].txt", is taken literally if it exists.
    if not any(sign in pattern for sign in "*?[") or is_file(folder / pattern):
        return [folder / pattern]
    try:
        return sorted(path for path in folder.glob(pattern) if not path.is_dir())
    except ValueError:  # not a valid pattern, such as "**" with other characters: matches nothing
        return []


def resolve_files(folder: Path, device: Device) -> dict[str, list[Path]]:
    """Return the raw files of a device by source, each list sorted.

    Raises
    ------
    InputError
        For every pattern that matches nothing and every file that is absent, empty or not readable.
    """
    problems: list[Problem] = []
    files: dict[str, dict[Path, None]] = {name: {} for name in device.sources}
    for name, pattern in ((name, pattern) for name, source in device.sources.items() for pattern in source.files):
        paths = matching_files(folder, pattern)
        if not paths:
            problems.append(
                Problem(pattern, "matches no file", fix=f"check the pattern; it is relative to {folder.name}/")
            )
        for path in paths:
            shown = path.relative_to(folder).as_posix()
            try:
                require_regular_file(path)
                with path.open("rb") as file:
                    empty = not file.read(1)
            except OSError as error:
                problems.append(
                    Problem(shown, f"cannot be read: {error.strerror}", fix="check the file and its permissions")
                )
                continue
            if not path.resolve().is_relative_to(folder.resolve()):
                problems.append(
                    Problem(
                        shown,
                        "is a link to a file outside the campaign's folder",
                        "files of the campaign's folder, or links to them",
                        "copy the file there, so that the campaign holds what its results are made from",
                    )
                )
            if empty:
                problems.append(Problem(shown, "is empty", "an export with data", "export it again"))
            files[name][path] = None
    if problems:
        raise InputError(problems)
    return {name: sorted(paths) for name, paths in files.items()}
