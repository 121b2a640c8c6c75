"""Verify results: hash every file again, and compare it with every record of it.

A file has three records: its own receipt, the manifest of the job that made it, and the receipts of the files that
were made from it. It is intact if all that are available agree.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from anechain.audit.file_states import file_status
from anechain.audit.hashed_files import NO_RECEIPT, HashedFiles, hash_file, input_outputs
from anechain.audit.raw_file_states import raw_file_statuses
from anechain.audit.records import CAMPAIGN, MANIFESTS, read_records, result_files
from anechain.audit.verification import FileStatus, Verification
from anechain.data.store import check_receipt
from anechain.errors import InputError
from anechain.receipts.receipt import raw_inputs
from anechain.running.lock import lock_owner

__all__ = ["Progress", "results_folder_of", "verify", "verify_folder"]

Progress = Callable[[int], None]
"""Called with the number of files checked so far."""


def verify(path: Path, progress: Progress | None = None) -> Verification:
    """Verify a single output, a results folder, or a campaign by its folder or file.

    Parameters
    ----------
    path : Path
        The output, folder or campaign file.
    progress : callable, optional
        Called with the number of files checked so far.

    Raises
    ------
    InputError
        If it is none of these.
    """
    results = results_folder_of(path)
    if path.is_dir() or path.suffix.lower() in (".yaml", ".yml"):
        if results is None:
            raise InputError.single(
                path, "has no results", "an output, a results folder, or a campaign that has been run", "run it first"
            )
        return _verify_results(results, None, progress)
    absolute = Path(os.path.abspath(path))  # noqa: PTH100 - a link keeps its own name
    if results is None:
        return _verify_single_file(path)
    if absolute.is_relative_to(results) and not absolute.is_relative_to(results / MANIFESTS):
        return _verify_results(results, absolute.relative_to(results).as_posix(), progress)
    everything = _verify_results(results, None, progress)
    name = absolute.relative_to(results.parent).as_posix()
    if own := tuple(status for status in everything.files if status.file == name):
        return Verification(own)
    return _verify_single_file(path)


def results_folder_of(path: Path) -> Path | None:
    """Return the results folder that a path is, contains or belongs to; None if there is none."""
    absolute = Path(os.path.abspath(path))  # noqa: PTH100
    if absolute.is_dir():
        candidates = [absolute / "results", absolute]
    else:
        candidates = [folder for parent in absolute.parents for folder in (parent, parent / "results")]
    return next(
        (folder for folder in candidates if (folder / CAMPAIGN).is_file() or (folder / MANIFESTS).is_dir()), None
    )


def verify_folder(folder: Path, progress: Progress | None = None) -> Verification:
    """Verify all results of a campaign and, as far as they are there, its raw files.

    Parameters
    ----------
    folder : Path
        The folder that holds `results` and the raw files.
    progress : callable, optional
        Called with the number of files checked so far.
    """
    return _verify_results(folder / "results", None, progress)


def _verify_single_file(path: Path) -> Verification:
    """Verify an output that is not in a results folder."""
    examined = check_receipt(path)
    if examined.receipt is None and examined.wrong == NO_RECEIPT:
        problem = "it has no receipt: it is not an output of this software"
        return Verification((FileStatus(str(path), "untracked", (problem,)),))
    note = "only the file itself was checked: it is not in a results folder, and its inputs are not available"
    if examined.receipt is not None:
        note += f" ({len(raw_inputs(examined.receipt))} raw files, {len(examined.receipt['steps'])} steps)"
    state = FileStatus(str(path), "altered" if examined.wrong else "intact", examined.wrong)
    return Verification((state,), (note,))


def _verify_results(results: Path, only: str | None, progress: Progress | None) -> Verification:
    """Verify a results folder, or one output in it with all outputs and raw files that it was made from."""
    records = read_records(results)
    files = HashedFiles()
    names = [only] if only is not None else [*result_files(results), *records.outputs, CAMPAIGN]
    pending = list(dict.fromkeys(names))
    while pending:
        name = pending.pop(0)
        if name not in files.sha256:
            hash_file(records, files, name)
            if progress:
                progress(len(files.sha256))
            if only is not None and name in files.last_step:
                pending += [
                    source
                    for source, _, _ in input_outputs(records, name, files.last_step[name])
                    if source in records.outputs or (results / source).is_file()
                ]
    statuses = [file_status(records, files, name) for name in files.sha256]
    if only is None:
        statuses += records.statuses
    raw_statuses, notes = raw_file_statuses(records, files, only is None, progress)
    if only is None:
        notes = [*records.notes, *notes]
    if process := lock_owner(results):
        notes.append(f"a run of this campaign is in progress ({process}): outputs may be reported as missing")
    return Verification(tuple(sorted([*statuses, *raw_statuses], key=lambda status: status.file)), tuple(notes))
