"""Where the data of an HDF5 file are stored: in the file itself, in other files, or nowhere because never written."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from anechain.errors import InputError, Problem

__all__ = ["refuse_data_elsewhere", "unwritten"]

_MAX_NAMED = 5


def refuse_data_elsewhere(path: Path, where: str) -> None:
    """Refuse an HDF5 file that takes data from other files: external storage, virtual datasets, external links.

    Such files would become part of a result without a receipt that names them.

    Parameters
    ----------
    path : Path
        A file that begins as HDF5; nothing is read from other files.
    where : str
        Its name in messages.

    Raises
    ------
    InputError
        With every object that refers to another file.
    OSError
        If the file cannot be read as HDF5.
    """
    import h5py

    with h5py.File(path, "r") as file:
        found = sorted(_elsewhere(file))
    if found:
        names = [f"{name} ({kind})" for name, kind in found[:_MAX_NAMED]]
        more = f" and {len(found) - _MAX_NAMED} more" if len(found) > _MAX_NAMED else ""
        raise InputError(
            [
                Problem(
                    where,
                    f"it takes data from other files: {', '.join(names)}{more}",
                    "a file that contains all its data",
                    "copy the data into one file, for example with h5repack or by loading and saving them",
                )
            ]
        )


def _elsewhere(file: Any) -> Iterator[tuple[str, str]]:
    """Yield path and kind of all links and datasets of a file that refer to other files."""
    import h5py

    # A group can be linked into itself, and groups can be nested deeper than Python calls.
    groups, seen = [("", file["/"])], set()
    while groups:
        prefix, group = groups.pop()
        address = h5py.h5o.get_info(group.id).addr
        if address in seen:
            continue
        seen.add(address)
        for name in group:
            link = group.get(name, getlink=True)
            if isinstance(link, h5py.ExternalLink):
                yield f"{prefix}{name}", f"a link to {Path(link.filename).name!r}"
            # The target of a soft link is listed under its own name, or is missing.
            item = group.get(name) if isinstance(link, h5py.HardLink) else None
            if isinstance(item, h5py.Group):
                groups.append((f"{prefix}{name}/", item))
            elif isinstance(item, h5py.Dataset) and item.is_virtual:
                yield f"{prefix}{name}", "a virtual dataset"
            elif isinstance(item, h5py.Dataset) and item.id.get_create_plist().get_external_count():
                yield f"{prefix}{name}", "external storage"


def unwritten(dataset: Any) -> NDArray[np.bool_] | None:
    """Return which elements of an HDF5 dataset were never written.

    Reading such elements gives the fill value of the dataset, which looks like a measured value.

    Parameters
    ----------
    dataset : h5py.Dataset

    Returns
    -------
    numpy.ndarray of bool, shape of the dataset, or None
        None if all were written.
    """
    if not dataset.shape or not dataset.size:
        return None
    if dataset.chunks is None:
        empty = dataset.id.get_storage_size() == 0
        return np.ones(dataset.shape, dtype=np.bool_) if empty else None
    chunks = dataset.chunks
    expected = int(np.prod([-(-length // chunk) for length, chunk in zip(dataset.shape, chunks, strict=True)]))
    number = dataset.id.get_num_chunks()
    if number >= expected:
        return None
    result = np.ones(dataset.shape, dtype=np.bool_)
    for index in range(number):
        start = dataset.id.get_chunk_info(index).chunk_offset
        result[tuple(slice(at, at + chunk) for at, chunk in zip(start, chunks, strict=True))] = False
    return result
