"""The state of each raw file: whether it is unchanged since the results were made from it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence

from anechain.audit.hashed_files import HashedFiles
from anechain.audit.records import Records
from anechain.audit.verification import FileStatus
from anechain.data.store import sha256_file
from anechain.errors import InputError
from anechain.receipts.receipt import RAW
from anechain.registry.stages import DEVICE_STAGES
from anechain.running.raw_files import resolve_files

__all__ = ["raw_file_statuses"]

_MAX_NAMES = 3
"""Raw files that a note names before it only counts them."""


def raw_file_statuses(
    records: Records, files: HashedFiles, include_new: bool, progress: Callable[[int], None] | None
) -> tuple[list[FileStatus], list[str]]:
    """Compare the raw files with the hashes in the outputs' receipts.

    Parameters
    ----------
    records : Records
        The manifests.
    files : HashedFiles
        The outputs as they are.
    include_new : bool
        Whether to list files that the campaign would read but no result was made from.
    progress : callable, optional
        Called with the number of files checked so far.

    Returns
    -------
    statuses : list of FileStatus
        One per raw file.
    notes : list of str
        Remarks for the reader.
    """
    folder = records.results.parent
    # Where receipts state different hashes of one file, the outputs that contradict the others are reported themselves.
    expected = {path: max(hashes, key=lambda sha256: len(hashes[sha256])) for path, hashes in files.raw.items()}
    if expected and not any((folder / path).exists() for path in expected):
        return [], [f"raw files are not available and were not checked: {_first_names(sorted(expected))}"]
    path_of: dict[str, str] = {}
    for path, sha256 in expected.items():
        path_of.setdefault(sha256, path)
    statuses = []
    for number, (path, sha256) in enumerate(sorted(expected.items())):
        output = _output_made_from(records, files, path, sha256)
        try:
            actual = sha256_file(folder / path)
        except FileNotFoundError:
            statuses.append(FileStatus(path, "missing", (f"named by the receipt of {output}",)))
            continue
        except OSError as error:
            statuses.append(FileStatus(path, "missing", (f"it cannot be read: {error.strerror or error}",)))
            continue
        if progress:
            progress(len(files.sha256) + number)
        if actual == sha256:
            statuses.append(FileStatus(path, "intact"))
        elif actual in path_of:
            statuses.append(FileStatus(path, "altered", (f"its content is that of {path_of[actual]}",)))
        else:
            statuses.append(FileStatus(path, "altered", (f"it is not the file named by the receipt of {output}",)))
    if include_new and records.plan is not None:
        statuses += _new_files(records, expected)
    return statuses, []


def _output_made_from(records: Records, files: HashedFiles, path: str, sha256: str) -> str:
    """Return the output that was made from a raw file, directly if possible, and how many more depend on it."""

    def indirect(name: str) -> tuple[bool, str]:
        return all(entry["role"] != RAW + path for entry in files.last_step[name]["inputs"]), name

    first, *more = sorted(files.raw[path][sha256], key=indirect)
    return records.show(first) + (f" (and of {len(more)} more)" if more else "")


def _new_files(records: Records, known: Collection[str]) -> Iterator[FileStatus]:
    """Yield files that the campaign reads now, although no result was made from them."""
    assert records.plan is not None
    folder = records.results.parent
    for device, settings in records.plan.campaign.devices.items():
        imported = any(
            output.stage == DEVICE_STAGES[0] and output.device == device for output in records.outputs.values()
        )
        if not imported:
            continue
        try:
            paths = [path for paths in resolve_files(folder, settings).values() for path in paths]
        except InputError:
            continue  # files that are missing or cannot be read are reported already
        for path in paths:
            name = path.relative_to(folder).as_posix()
            if name not in known:
                problem = f"the campaign reads it for {device}, but no result was made from it"
                yield FileStatus(name, "untracked", (problem,))


def _first_names(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MAX_NAMES} more" if len(names) > _MAX_NAMES else ""
    return ", ".join(names[:_MAX_NAMES]) + more
