"""The importer under test, its samples, and the files that the conformance tests make of them."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Sequence
from functools import cache, cached_property
from pathlib import Path
from typing import Any, ClassVar
from weakref import WeakKeyDictionary

import pytest

from anechain.conformance.assertions import fail, require
from anechain.conformance.calls import read_case
from anechain.conformance.cases import Case, Sample
from anechain.conformance.foreign_samples import foreign_files
from anechain.conformance.plugins import resolve_plugin, usable_importer
from anechain.importing.hooks import Reading
from anechain.importing.importers import BrokenImporter, Importer

__all__ = [
    "ConformanceTests",
    "all_copies",
    "case_copies",
    "file_endings",
    "foreign_copies",
    "foreign_kinds",
    "importer_of",
    "loaded_importer",
    "original_cases",
    "readable_copies",
    "reading_of",
    "sample_contents",
]


class ConformanceTests:
    """Base class of the conformance tests: the importer under test and its samples.

    Attributes
    ----------
    plugin : module, object or str
        The module or object with the three hooks; or the name of an installed entry point; or "module:name".
    claimed_kinds : set of str
        Kinds of :func:`~anechain.conformance.foreign_samples.foreign_files` that the importer claims, such as "WAV"
        for one that reads sound files. It has to claim each of them, and no other.
    max_identify_seconds : float
        Time limit for the verdict on one file, not counting the import of libraries.
    max_cuts : int
        Largest number of truncated files that are read.
    """

    plugin: ClassVar[Any] = None
    claimed_kinds: ClassVar[frozenset[str] | set[str]] = frozenset()
    max_identify_seconds: ClassVar[float] = 1.0
    max_cuts: ClassVar[int] = 200

    def samples(self, folder: Path) -> Sequence[Sample]:
        """Return good files: at least one sample for each variant of the format.

        Keep them small, since they are read hundreds of times.

        Parameters
        ----------
        folder : Path
            An empty folder to write files into; files from elsewhere may be used as well.
        """
        raise NotImplementedError("override this method, and return samples")

    def foreign(self, folder: Path) -> Sequence[Path]:  # noqa: ARG002 - for classes that override it
        """Return files of similar formats that the importer must not claim, in addition to those of all importers.

        Parameters
        ----------
        folder : Path
            An empty folder to write files into.
        """
        return ()


def _temporary_folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="anechain-conformance-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _common_foreign_files() -> dict[str, Path]:
    return foreign_files(_temporary_folder())


class _Prepared:
    """An importer under test with its samples; made once for each class of tests."""

    def __init__(self, tests: ConformanceTests):
        self.folder = _temporary_folder()
        self.tests = tests
        self.importer = resolve_plugin(type(tests).plugin)

    @cached_property
    def cases(self) -> tuple[Case, ...]:
        folder = self.folder / "samples"
        folder.mkdir()
        return tuple(self._case(number, sample) for number, sample in enumerate(self.tests.samples(folder), start=1))

    def _case(self, number: int, sample: Sample) -> Case:
        folder = self.folder / f"sample-{number}"
        folder.mkdir()
        names = [path.name for path in (*sample.files, *sample.companions)]
        if not sample.files or len(set(names)) != len(names):
            raise ValueError(f"sample {number} needs files with different names; it has {names}")
        for path in (*sample.files, *sample.companions):
            shutil.copyfile(path, folder / path.name)
        return Case(number, folder, tuple(folder / path.name for path in sample.files), sample)

    @cached_property
    def foreign(self) -> dict[str, Path]:
        folder = self.folder / "foreign"
        folder.mkdir()
        return _common_foreign_files() | {f"own foreign file {path.name}": path for path in self.tests.foreign(folder)}

    @cached_property
    def unreadable(self) -> dict[int, str]:
        """Numbers of the samples that are not read, with the reason; one test fails for them, the others skip them."""
        reasons = {}
        for case in self.cases:
            try:
                reading = read_case(usable_importer(self.importer), case.copied(self.folder / "unreadable"))
                reason = "" if isinstance(reading, Reading) else f"it returned {type(reading).__name__}"
            except (Exception, SystemExit) as error:
                reason = f"{type(error).__name__}: {error}"
            if reason:
                reasons[case.number] = reason
        return reasons


_prepared: WeakKeyDictionary[type, _Prepared] = WeakKeyDictionary()


def _prepared_for(tests: ConformanceTests) -> _Prepared:
    prepared = _prepared.get(type(tests))
    if prepared is None:
        prepared = _prepared[type(tests)] = _Prepared(tests)
    return prepared


def loaded_importer(tests: ConformanceTests) -> Importer | BrokenImporter:
    """Return the importer under test, or why it cannot be used."""
    return _prepared_for(tests).importer


def importer_of(tests: ConformanceTests) -> Importer:
    """Return the importer under test; skip the test if it cannot be used."""
    return usable_importer(loaded_importer(tests))


def original_cases(tests: ConformanceTests) -> tuple[Case, ...]:
    """Return the samples in folders that no test changes."""
    return _prepared_for(tests).cases


def case_copies(tests: ConformanceTests, folder: Path) -> list[Case]:
    """Copy all samples into a folder."""
    cases = [case.copied(folder) for case in original_cases(tests)]
    require(bool(cases), "there is no sample; return at least one")
    return cases


def readable_copies(tests: ConformanceTests, folder: Path) -> list[Case]:
    """Copy the samples that can be read at all into a folder; one test reports the others."""
    importer_of(tests)
    unreadable = _prepared_for(tests).unreadable
    cases = [case for case in case_copies(tests, folder) if case.number not in unreadable]
    if not cases:
        pytest.skip(f"no sample is read: {next(iter(unreadable.values()))}")
    return cases


def foreign_kinds(tests: ConformanceTests) -> list[str]:
    """Return the kinds of the foreign files."""
    return list(_prepared_for(tests).foreign)


def foreign_copies(tests: ConformanceTests, folder: Path) -> dict[str, Path]:
    """Copy the foreign files into a folder; return them by kind."""
    copies = folder / "foreign-files"
    copies.mkdir()
    return {kind: Path(shutil.copy2(path, copies)) for kind, path in _prepared_for(tests).foreign.items()}


def all_copies(tests: ConformanceTests, folder: Path) -> list[Path]:
    """Copy the files of all samples and the foreign files into a folder."""
    own = [path for case in case_copies(tests, folder) for path in case.files]
    return own + list(foreign_copies(tests, folder).values())


def sample_contents(tests: ConformanceTests) -> dict[str, bytes]:
    """Return the content of the first file of each sample, to make junk of."""
    return {
        f"{case.files[0].name} of sample {case.number}": case.files[0].read_bytes() for case in original_cases(tests)
    }


def file_endings(tests: ConformanceTests) -> list[str]:
    """Return the name endings of the sample files, and the empty one.

    Some importers examine the content only if the name fits.
    """
    endings = {"".join(path.suffixes[-2:]) for case in original_cases(tests) for path in case.files}
    return [*sorted(endings - {""}), ""]


def reading_of(tests: ConformanceTests, case: Case, files: Sequence[Path] | None = None) -> Reading:
    """Read a case; fail the test if the importer does not return a reading."""
    reading = read_case(importer_of(tests), case, files)
    if not isinstance(reading, Reading):
        fail(f"{case}: returned {type(reading).__name__}, not a Reading")
    return reading
