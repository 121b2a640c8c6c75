"""The state of each output: intact, altered, missing or untracked, and why."""

from __future__ import annotations

from anechain.audit.hashed_files import NO_RECEIPT, HashedFiles, receipt_problems
from anechain.audit.records import CAMPAIGN, Records
from anechain.audit.verification import FileStatus

__all__ = ["file_status"]


def file_status(records: Records, files: HashedFiles, name: str) -> FileStatus:
    """Return the state of a file of the results.

    Three records are compared: the file's own receipt, the manifest of the job that made it, and the receipts of the
    files that were made from it.

    Parameters
    ----------
    records : Records
        The manifests.
    files : HashedFiles
        The files as they are.
    name : str
        Path in the results.
    """
    shown, sha256 = records.show(name), files.sha256[name]
    output, problems = records.outputs.get(name), list(files.problems.get(name, ()))
    if sha256 is None:
        if output is not None:
            return FileStatus(shown, "missing", (f"named by {output.manifest}",))
        return FileStatus(shown, "missing", ("it holds the campaign that the results belong to",))
    contradictions = receipt_problems(records, files, name)
    if name == CAMPAIGN or (output is not None and output.sha256 == sha256):
        if problems:
            return FileStatus(shown, "altered", (*problems, *contradictions))
        return FileStatus(shown, "untracked", tuple(contradictions)) if contradictions else FileStatus(shown, "intact")
    twin = records.output_with(sha256, name)
    if output is not None:
        if twin:
            return FileStatus(shown, "altered", (f"its content is that of {records.show(twin)}",))
        not_of_run = "it is not the file that the run made"
        if problems:
            return FileStatus(shown, "altered", (*problems, *contradictions))
        if contradictions:
            return FileStatus(shown, "untracked", (not_of_run, *contradictions))
        if name in files.last_step:
            not_of_run = "it is a valid output, but not the file that the run made"
        return FileStatus(shown, "altered", (not_of_run,))
    if name.endswith(".part"):
        return FileStatus(shown, "untracked", ("incomplete file of an interrupted run; the next run removes it",))
    if twin:
        return FileStatus(shown, "untracked", (f"copy of {records.show(twin)}",))
    if name not in files.last_step:
        details = "" if tuple(problems) == NO_RECEIPT else f" ({'; '.join(problems)})"
        origin = "no job of this campaign made it" if records.complete else "no readable manifest names it"
        return FileStatus(shown, "untracked", (f"{origin}, and it has no receipt{details}",))
    if records.complete:
        origin = "no job of this campaign made it: it is from an earlier state of the campaign, or was copied here"
        return FileStatus(shown, "untracked", (origin, *problems))
    # The manifest of its job is missing, which is reported for the manifest; the file's own receipt can be checked.
    if problems:
        return FileStatus(shown, "altered", (*problems, *contradictions))
    return FileStatus(shown, "untracked", tuple(contradictions)) if contradictions else FileStatus(shown, "intact")
