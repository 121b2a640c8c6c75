"""Tests of what an importer does with files that it cannot read."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

from anechain.conformance.assertions import list_failures, outcome_text, require
from anechain.conformance.calls import read_or_error
from anechain.conformance.cases import Case
from anechain.conformance.samples import (
    ConformanceTests,
    case_copies,
    foreign_copies,
    importer_of,
    readable_copies,
)
from anechain.errors import InputError
from anechain.importing.hooks import Reading

__all__ = ["RefusalTests", "read_foreign_files", "read_truncated_files"]

_KILOBYTE = 1024


class RefusalTests(ConformanceTests):
    """Tests of `anechain_read` with truncated files and files of other formats."""

    def test_a_truncated_file_is_read_or_refused(self, tmp_path: Path) -> None:
        """Each file is cut at every kilobyte, or at every sixteenth of its size, and read with the others.

        The result is a `Reading`, or an `InputError` that names the file, and never another exception. Of more cuts
        than `max_cuts` only so many are tried, evenly distributed.
        """
        failures = []
        for case, path, size, outcome in read_truncated_files(self, tmp_path):
            if isinstance(outcome, InputError):
                if path.name not in str(outcome):
                    failures.append(
                        f"{case}, {path.name} cut after {size} bytes: the error does not name the file: {outcome}"
                    )
            elif not isinstance(outcome, Reading):
                failures.append(f"{case}, {path.name} cut after {size} bytes: {outcome_text(outcome)}")
        require(not failures, list_failures(failures))

    def test_foreign_files_are_refused(self, tmp_path: Path) -> None:
        """A file of another format raises an `InputError` that names the file, if a campaign names the importer."""
        failures = []
        for kind, path, outcome in read_foreign_files(self, tmp_path):
            if isinstance(outcome, InputError):
                if path.name not in str(outcome):
                    failures.append(f"{kind} ({path.name}): the error does not name the file: {outcome}")
            elif kind not in self.claimed_kinds or not isinstance(outcome, Reading):
                failures.append(f"{kind} ({path.name}): {outcome_text(outcome)}")
        require(not failures, list_failures(failures))

    def test_errors_state_what_is_wrong_and_the_fix(self, tmp_path: Path) -> None:
        """Every problem, of truncated and of foreign files, states where it is, what is wrong, and what to do."""
        (tmp_path / "cut").mkdir()
        (tmp_path / "foreign").mkdir()
        outcomes = [outcome for *_, outcome in read_truncated_files(self, tmp_path / "cut", max_cuts=12)]
        outcomes += [outcome for *_, outcome in read_foreign_files(self, tmp_path / "foreign")]
        problems = {problem for outcome in outcomes if isinstance(outcome, InputError) for problem in outcome.problems}
        for problem in sorted(problems, key=str):
            for name in ("where", "what", "fix"):
                require(bool(getattr(problem, name).strip()), f"a problem leaves `{name}` empty: {problem}")
            require("Traceback" not in str(problem), f"a problem shows a traceback: {problem}")


def read_truncated_files(
    tests: ConformanceTests, folder: Path, max_cuts: int | None = None
) -> Iterator[tuple[Case, Path, int, object]]:
    """Truncate each file of each readable sample at several sizes, and read it with the other files.

    Parameters
    ----------
    tests : ConformanceTests
        The class of tests.
    folder : Path
        An empty folder.
    max_cuts : int, optional
        Largest number of truncated files; by default that of the class.

    Yields
    ------
    case : Case
    path : Path
        The truncated file.
    size : int
        Its size in bytes.
    outcome : object
        What the importer returned or raised.
    """
    importer, cases = importer_of(tests), readable_copies(tests, folder)
    cuts = [
        (case, path, cut)
        for case in cases
        for path in case.files
        for size in [path.stat().st_size]
        for cut in range(min(_KILOBYTE, max(1, size // 16)), size, min(_KILOBYTE, max(1, size // 16)))
    ]
    max_cuts = max_cuts or tests.max_cuts
    if len(cuts) > max_cuts:
        cuts = [cuts[round(i * (len(cuts) - 1) / max(1, max_cuts - 1))] for i in range(max_cuts)]
    for case, path, cut in cuts:
        content = path.read_bytes()
        path.write_bytes(content[:cut])
        yield case, path, cut, read_or_error(importer, case, case.files)
        path.write_bytes(content)


def read_foreign_files(tests: ConformanceTests, folder: Path) -> Iterator[tuple[str, Path, object]]:
    """Read each foreign file with the options of the first sample.

    Yields
    ------
    kind : str
    path : Path
        The foreign file.
    outcome : object
        What the importer returned or raised.
    """
    importer, cases = importer_of(tests), case_copies(tests, folder)
    for kind, path in foreign_copies(tests, folder).items():
        target = cases[0].folder / path.name
        shutil.copyfile(path, target)
        yield kind, path, read_or_error(importer, cases[0], [target])
        target.unlink()
