"""The result of verifying: the state of each file, as text and as JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any, Literal

from anechain.printable import printable

__all__ = ["FileStatus", "State", "Verification"]

State = Literal["intact", "altered", "missing", "untracked"]

_MAX_LINES = 3
"""Files of one folder with the same problems that are listed one by one; more share a line."""


@dataclass(frozen=True)
class FileStatus:
    """The state of one file.

    Attributes
    ----------
    file : str
        Its path from the campaign's folder.
    state : str
        "intact", "altered", "missing" (a manifest or a receipt names it) or "untracked" (no job of this campaign made
        it, or not from the files of this campaign).
    problems : tuple of str
        Why it is not intact; empty for an intact file.
    """

    file: str
    state: State
    problems: tuple[str, ...] = ()

    def __str__(self) -> str:
        return _line(self.state, self.file, self.problems)


@dataclass(frozen=True)
class Verification:
    """The states of all files that were checked.

    Attributes
    ----------
    files : tuple of FileStatus
        Sorted by name.
    notes : tuple of str
        What could not be checked, and other remarks for the reader.
    """

    files: tuple[FileStatus, ...]
    notes: tuple[str, ...] = ()

    @property
    def not_intact(self) -> tuple[FileStatus, ...]:
        """The files that are not intact."""
        return tuple(status for status in self.files if status.state != "intact")

    @property
    def counts(self) -> dict[str, int]:
        """Number of files by state."""
        states = Counter(status.state for status in self.files)
        return {state: states[state] for state in ("intact", "altered", "missing", "untracked")}

    def lines(self, verbose: bool = False) -> list[str]:
        """Return the result as lines of text; many files of one folder with the same problems share a line."""
        groups: dict[tuple[object, ...], list[FileStatus]] = {}
        for status in self.files if verbose else self.not_intact:
            # Only missing files share a line.
            key = "" if status.state == "missing" else status.file
            groups.setdefault((status.file.rpartition("/")[0], status.problems, key), []).append(status)
        lines: list[str] = []
        for group in groups.values():
            first = group[0]
            folder, _, name = first.file.rpartition("/")
            if len(group) <= _MAX_LINES:
                lines += map(str, group)
            else:
                lines.append(_line(first.state, f"{folder}/: {len(group)} files ({name} and more)", first.problems))
        lines += [f"note: {printable(note)}" for note in self.notes]
        counts = ", ".join(f"{count} {state}" for state, count in self.counts.items() if count or state == "intact")
        return [*lines, f"{len(self.files)} {'file' if len(self.files) == 1 else 'files'}: {counts}"]

    def as_json(self) -> dict[str, Any]:
        """Return the result as a JSON object."""
        files = [
            {"file": status.file, "state": status.state, "problems": list(status.problems)} for status in self.files
        ]
        return {"counts": self.counts, "files": files, "notes": list(self.notes)}


def _line(state: State, file: str, problems: tuple[str, ...]) -> str:
    return f"{state:9}  {printable(file)}: {'; '.join(map(printable, problems)) or 'unaltered'}"
