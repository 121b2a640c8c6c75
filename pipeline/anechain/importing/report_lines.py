"""Lines of the import report: notes that many files share, and long lists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from anechain.arrays import Floats

__all__ = ["frequencies_text", "merge_notes", "shortened_list"]


def merge_notes(notes: Mapping[str, Sequence[str]]) -> list[str]:
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


def shortened_list(texts: Sequence[str], limit: int) -> str:
    """Join texts by commas: the first `limit` of them, and the number of the others."""
    return ", ".join(texts[:limit]) + (f" and {len(texts) - limit} more" if len(texts) > limit else "")


def frequencies_text(frequency: Floats, limit: int = 6) -> str:
    """Return frequencies in Hz as text, such as "20, 25, 31.5 Hz": the first `limit`, and the number of the others."""
    return f"{shortened_list([f'{value:.5g}' for value in frequency], limit)} Hz"
