"""Tests of which files an importer claims."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from anechain.conformance.assertions import fail, list_failures, require
from anechain.conformance.calls import identify, verdict_or_skip
from anechain.conformance.folders import require_no_change
from anechain.conformance.foreign_samples import huge_line, junk
from anechain.conformance.samples import (
    ConformanceTests,
    all_copies,
    case_copies,
    file_endings,
    foreign_copies,
    foreign_kinds,
    importer_of,
    sample_contents,
)
from anechain.errors import InputError
from anechain.importing.identify import choose_importer
from anechain.importing.importers import BrokenImporter, find_importers

__all__ = ["IdentificationTests"]


class IdentificationTests(ConformanceTests):
    """Tests of `anechain_identify`."""

    def test_it_claims_its_own_samples(self, tmp_path: Path) -> None:
        """Each sample file gets a confidence above 0."""
        importer = importer_of(self)
        for path in (path for case in case_copies(self, tmp_path) for path in case.files):
            verdict = verdict_or_skip(importer, path)
            require(verdict.confidence > 0, f"{path.name}: not claimed ({verdict.reason})")

    def test_a_campaign_finds_it_without_naming_it(self, tmp_path: Path) -> None:
        """Of all installed importers, this one is chosen for its samples (see :attr:`Sample.needs_name`)."""
        importer = importer_of(self)
        installed, broken = find_importers()
        plugin = importer.hooks.get_plugins()
        others = {name: other for name, other in installed.items() if not plugin & other.hooks.get_plugins()}
        for case in case_copies(self, tmp_path):
            if case.sample.needs_name:
                continue
            able = {name: other for name, other in others.items() if case.sample.source in other.description.sources}
            try:
                chosen = choose_importer(case.files, {**able, importer.name: importer}, broken, str(case))
            except InputError as input_error:
                fail(f"{case} is not identified without the importer's name: {input_error}")
            require(chosen is importer, f"{case} goes to {chosen.name}: claim your own files with more confidence")

    def test_it_claims_no_foreign_file(self, tmp_path: Path) -> None:
        """Files of other formats get a confidence of 0, except the `claimed_kinds`, which it claims."""
        importer, kinds = importer_of(self), foreign_kinds(self)
        unknown = sorted(set(self.claimed_kinds) - set(kinds))
        require(not unknown, f"claimed_kinds lists {unknown}; the kinds are {', '.join(kinds)}")
        failures = []
        for kind, path in foreign_copies(self, tmp_path).items():
            verdict = verdict_or_skip(importer, path)
            if (verdict.confidence > 0) != (kind in self.claimed_kinds):
                failures.append(f"{kind} ({path.name}): confidence {verdict.confidence:g} ({verdict.reason})")
        require(not failures, f"foreign files claimed, or claimed_kinds not claimed: {list_failures(failures)}")

    def test_identify_never_raises_on_junk(self, tmp_path: Path) -> None:
        """Random bytes, broken text, one huge line, samples cut and mixed: always a verdict, never an exception."""
        importer = importer_of(self)
        failures = []
        for name, content in junk(sample_contents(self)).items():
            for ending in file_endings(self):
                path = tmp_path / f"junk{ending}"
                path.write_bytes(content)
                answer = identify(importer, path)
                if isinstance(answer, BrokenImporter):
                    failures.append(f"{name} as {path.name}: {answer.reason}")
        require(not failures, list_failures(failures))

    def test_identify_never_raises_on_random_bytes(self, tmp_path: Path) -> None:
        """The same with contents that hypothesis finds: random bytes, random text, random bytes inside samples."""
        pytest.importorskip("hypothesis", reason="hypothesis is not installed; other tests use fixed junk")
        from hypothesis import HealthCheck, given, settings
        from hypothesis import strategies as st

        importer = importer_of(self)
        # One name ending is enough: the test with fixed junk uses all of them.
        path = tmp_path / f"junk{file_endings(self)[0]}"
        starts = [content[:4096] for content in sample_contents(self).values()]
        spliced = st.tuples(st.sampled_from(starts), st.integers(0, 4096), st.binary(min_size=1, max_size=40)).map(
            lambda parts: parts[0][: parts[1]] + parts[2] + parts[0][parts[1] + len(parts[2]) :]
        )
        texts = st.text(min_size=1, max_size=400).map(lambda text: text.encode(errors="replace"))

        @settings(
            max_examples=120, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
        )
        @given(st.binary(min_size=1, max_size=1000) | texts | spliced)
        def check_content(content: bytes) -> None:
            path.write_bytes(content)
            answer = identify(importer, path)
            if isinstance(answer, BrokenImporter):
                fail(f"{content[:80]!r}: {answer.reason}")

        check_content()

    def test_identify_is_repeatable(self, tmp_path: Path) -> None:
        """The same file gets the same confidence and the same reason."""
        importer = importer_of(self)
        for path in all_copies(self, tmp_path):
            first, second = verdict_or_skip(importer, path), verdict_or_skip(importer, path)
            require(first == second, f"{path.name}: first {first}, then {second}")

    def test_identify_writes_nothing(self, tmp_path: Path) -> None:
        """No file is changed or added, neither next to the files nor in the working folder."""
        importer = importer_of(self)
        paths = all_copies(self, tmp_path)
        with require_no_change(tmp_path, "anechain_identify"):
            for path in paths:
                identify(importer, path)

    def test_identify_is_fast(self, tmp_path: Path) -> None:
        """The verdict on each sample, each foreign file and a line of 2 MB takes at most `max_identify_seconds`.

        The first call is not timed, since it imports libraries. The shortest of the next three calls counts.
        """
        importer = importer_of(self)
        (tmp_path / "line").mkdir()
        lines = []
        for ending in file_endings(self):
            lines.append(tmp_path / "line" / f"huge{ending}")
            lines[-1].write_bytes(huge_line())
        for path in (*lines, *all_copies(self, tmp_path)):
            identify(importer, path)
            shortest = float("inf")
            for _ in range(3):
                start = time.perf_counter()
                identify(importer, path)
                shortest = min(shortest, time.perf_counter() - start)
                if shortest <= self.max_identify_seconds:
                    break
            require(
                shortest <= self.max_identify_seconds,
                f"{path.name}: {shortest:.1f} s, more than {self.max_identify_seconds:g} s; read less of the file",
            )
