"""Tests of whether an importer reads the same in other processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from anechain.conformance.assertions import outcome_text, require
from anechain.conformance.calls import read_or_error
from anechain.conformance.cases import Case, Sample
from anechain.conformance.digests import reading_summary
from anechain.conformance.plugins import plugin_address, resolve_plugin
from anechain.conformance.samples import ConformanceTests, readable_copies, reading_of
from anechain.importing.hooks import Reading
from anechain.importing.importers import BrokenImporter, load_file

__all__ = ["ProcessTests", "read_samples_of_stdin"]

_ENVIRONMENTS = (
    {"PYTHONHASHSEED": "1"},
    # Another seed, and a machine without a locale and UTF-8, in another time zone.
    {"PYTHONHASHSEED": "2", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "TZ": "Pacific/Chatham"},
)


class ProcessTests(ConformanceTests):
    """Tests of `anechain_read` in new processes."""

    def test_a_fresh_process_reads_the_same(self, tmp_path: Path) -> None:
        """New processes with other hash seeds, without a locale and UTF-8, in another time zone read the same."""
        cases = readable_copies(self, tmp_path)
        address = plugin_address(type(self).plugin)
        if address is None:
            pytest.skip("the plugin is an object that another process cannot load; give it as 'module:name'")
        expected = [reading_summary(reading_of(self, case)) for case in cases]
        work = tmp_path / "elsewhere"
        work.mkdir()
        request = json.dumps(
            {
                "plugin": address,
                "cases": [
                    {
                        "folder": str(case.folder),
                        "files": [path.name for path in case.files],
                        "options": dict(case.sample.options),
                    }
                    for case in cases
                ],
            }
        )
        # All processes run at the same time.
        processes = [_start(environment, work) for environment in _ENVIRONMENTS]
        outputs = [process.communicate(request) for process in processes]
        for environment, process, (stdout, stderr) in zip(_ENVIRONMENTS, processes, outputs, strict=True):
            require(process.returncode == 0, f"a new process with {environment} failed: {stderr.strip()[-1000:]}")
            for case, here, there in zip(cases, expected, json.loads(stdout.splitlines()[-1]), strict=True):
                require(here == there, f"{case}: a new process with {environment} reads {there}, this one {here}")


def _start(environment: dict[str, str], work: Path) -> subprocess.Popen[str]:
    code = (
        f"import sys; sys.path[:] = {sys.path!r}; "
        "from anechain.conformance.processes import read_samples_of_stdin; read_samples_of_stdin()"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code],
        env={**os.environ, **environment},
        cwd=work,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        errors="replace",
    )


def read_samples_of_stdin() -> None:
    """Read the samples that standard input lists, and print their summaries; run by the new processes."""
    request = json.load(sys.stdin)
    name, file = request["plugin"]
    importer = resolve_plugin(name)
    if isinstance(importer, BrokenImporter) and file:
        importer = resolve_plugin(load_file(Path(file)))
    if isinstance(importer, BrokenImporter):
        raise SystemExit(importer.reason)
    summaries = []
    for number, entry in enumerate(request["cases"]):
        folder = Path(entry["folder"])
        files = tuple(folder / name for name in entry["files"])
        case = Case(number, folder, files, Sample(files, entry["options"]))
        outcome = read_or_error(importer, case, files)
        summaries.append(reading_summary(outcome) if isinstance(outcome, Reading) else outcome_text(outcome))
    print(json.dumps(summaries))  # noqa: T201
