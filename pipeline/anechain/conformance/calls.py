"""Calls of an importer's hooks, as the program makes them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from anechain.conformance.cases import Case
from anechain.importing.hooks import Verdict
from anechain.importing.identify import collect_verdicts
from anechain.importing.importers import BrokenImporter, Importer, call_hook
from anechain.importing.options import parse_options

__all__ = ["identify", "read_case", "read_or_error", "verdict_or_skip"]


def identify(importer: Importer, path: Path) -> Verdict | BrokenImporter:
    """Ask the importer about a file; Broken if it raised an exception or returned something else than a verdict."""
    return collect_verdicts(path, {importer.name: importer})[importer.name]


def verdict_or_skip(importer: Importer, path: Path) -> Verdict:
    """Ask the importer about a file; skip the test if there is no verdict, since another test reports that."""
    answer = identify(importer, path)
    if isinstance(answer, BrokenImporter):
        pytest.skip(f"there is no verdict (another test reports this): {answer.reason}")
    return answer


def read_case(importer: Importer, case: Case, files: Sequence[Path] | None = None) -> object:
    """Read the files of a case, or others with the options of the case, and return what the importer returns."""
    options = parse_options(importer, case.sample.options, "campaign", "options.", case.folder)
    return call_hook(importer.hooks.hook.anechain_read, paths=list(files or case.files), options=options)


def read_or_error(importer: Importer, case: Case, files: Sequence[Path]) -> object:
    """Read files, and return what the importer returns or the exception that it raises."""
    try:
        return read_case(importer, case, files)
    except (Exception, SystemExit) as error:
        return error
