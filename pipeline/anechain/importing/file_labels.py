"""Labels of a device's files in messages and reports."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

__all__ = ["label_files"]


def label_files(paths: Iterable[Path]) -> tuple[Path, dict[str, Path]]:
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
