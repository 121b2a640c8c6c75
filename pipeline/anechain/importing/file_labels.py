"""Names of a device's files in messages, and report lines that many files share."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

__all__ = ["gathered_notes", "labelled"]


def labelled(paths: Iterable[Path]) -> tuple[Path, dict[str, Path]]:
    """Label each file by its path from the folder that holds all files.

    Messages and reports use the labels, so that they do not name folders of the machine.

    Parameters
    ----------
    paths : iterable of Path
        At least one file.

    Returns
    -------
    folder : Path
        The folder that holds all files, absolute.
    files : dict of str to Path
        Absolute path of each file by its label, sorted.
    """
    absolute = [Path(os.path.abspath(path)) for path in paths]  # noqa: PTH100 - links are not resolved
    folder = Path(os.path.commonpath([path.parent for path in absolute]))
    return folder, {path.relative_to(folder).as_posix(): path for path in sorted(absolute)}


def gathered_notes(notes: Mapping[str, Sequence[str]]) -> list[str]:
    """Merge the notes of files: one line for each note, with the number of files that have it.

    Parameters
    ----------
    notes : mapping of str to sequence of str
        Notes by the label of the file.
    """
    labels_of_note: dict[str, list[str]] = {}
    for label, lines in notes.items():
        for note in dict.fromkeys(lines):
            labels_of_note.setdefault(note, []).append(label)
    return [
        f"{labels[0]}: {note}" if len(labels) == 1 else f"{note} ({len(labels)} files, the first is {labels[0]})"
        for note, labels in labels_of_note.items()
    ]
