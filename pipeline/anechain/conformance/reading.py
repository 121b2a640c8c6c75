"""Tests of how an importer reads its samples."""

from __future__ import annotations

from pathlib import Path

from anechain.campaign.file import Setup
from anechain.conformance.assertions import fail, require
from anechain.conformance.digests import reading_digest, report_without_numbers
from anechain.conformance.folders import require_no_change, write_protected
from anechain.conformance.samples import ConformanceTests, case_copies, importer_of, readable_copies, reading_of
from anechain.errors import InputError
from anechain.importing.options import parse_options

__all__ = ["ReadingTests"]


class ReadingTests(ConformanceTests):
    """Tests of `anechain_read` with good files."""

    def test_its_samples_become_valid_datasets(self, tmp_path: Path) -> None:
        """Each sample is read as `anechain run` reads it, and the datasets satisfy the contract."""
        from anechain.importing.source_datasets import Source, read_sources

        importer = importer_of(self)
        for case in case_copies(self, tmp_path):
            source_name = case.sample.source
            require(
                source_name in importer.description.sources,
                f"{case} contains {source_name}, which is not a source in the description",
            )
            options = parse_options(importer, case.sample.options, "campaign", "options.", case.folder)
            source = Source(source_name, list(case.files), importer, options, None)
            try:
                datasets = read_sources([source], Setup(**case.sample.setup), "sample", "Sample")
            except InputError as input_error:
                fail(f"{case} is refused: {input_error}")
            require(source_name in datasets, f"{case} yielded no {source_name}")

    def test_the_report_is_complete(self, tmp_path: Path) -> None:
        """The report is a tuple of single lines, and contains what each sample states in `report_contains`."""
        for case in readable_copies(self, tmp_path):
            report = reading_of(self, case).report
            is_valid = isinstance(report, tuple) and all(isinstance(line, str) for line in report)
            require(is_valid, f"{case}: the report is {report!r}, not a tuple of texts")
            wrong = [line for line in report if not line.strip() or "\n" in line]
            require(not wrong, f"{case}: report lines that are blank or have line breaks: {wrong!r}")
            for text in case.sample.report_contains:
                require(
                    any(text in line for line in report),
                    f"{case}: the report does not contain “{text}”, but {report!r}",
                )

    def test_every_file_is_used_or_named_in_the_report(self, tmp_path: Path) -> None:
        """Without any one of its files a sample is refused or read differently; or the report names that file.

        Two files of one direction, such as 0 degrees on both orbits, may hold the same values: the report must state
        this.
        """
        for case in readable_copies(self, tmp_path):
            if len(case.files) < 2:
                continue
            complete = reading_of(self, case)
            report = "\n".join(map(str, complete.report))
            for path in case.files:
                try:
                    reduced = reading_of(self, case, [other for other in case.files if other != path])
                except Exception:
                    continue  # the file is needed, so it is used
                require(
                    reading_digest(reduced) != reading_digest(complete)
                    or report_without_numbers(reduced) != report_without_numbers(complete)
                    or path.name in report,
                    f"{case}: {path.name} has no effect, and the report does not name it",
                )

    def test_raw_files_are_not_changed(self, tmp_path: Path) -> None:
        """Write-protected files in a write-protected folder are read; nothing is changed or added.

        Permissions do not bind an administrator, but dates, contents and listings of the folder show any change.
        """
        for case in readable_copies(self, tmp_path):
            with write_protected(case.folder), require_no_change(tmp_path, "anechain_read"):
                try:
                    reading_of(self, case)
                except Exception as error:
                    fail(f"{case} is not read from a write-protected folder: {type(error).__name__}: {error}")

    def test_reading_is_repeatable(self, tmp_path: Path) -> None:
        """The same files yield the same datasets, to the last bit, and the same report."""
        for case in readable_copies(self, tmp_path):
            first, second = reading_of(self, case), reading_of(self, case)
            require(
                reading_digest(first) == reading_digest(second) and first.report == second.report,
                f"{case}: a second reading of the same files differs from the first",
            )

    def test_the_order_of_the_files_does_not_matter(self, tmp_path: Path) -> None:
        """The same files in another order yield the same datasets, and a report of the same lines."""
        for case in readable_copies(self, tmp_path):
            first = reading_of(self, case)
            for files in (case.files[::-1], case.files[1:] + case.files[:1]):
                other = reading_of(self, case, files)
                require(
                    reading_digest(first) == reading_digest(other),
                    f"{case}: in another order the files yield other datasets",
                )
                require(
                    sorted(first.report) == sorted(other.report),
                    f"{case}: in another order the files yield another report: {first.report} and {other.report}",
                )
