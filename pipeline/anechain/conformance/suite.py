"""The tests an importer inherits: what every importer has to keep to, whoever wrote it.

In the tests of an importer::

    from pathlib import Path

    import anechain_turntable
    from anechain.conformance.suite import ImporterConformance, Sample


    class TestConformance(ImporterConformance):
        plugin = anechain_turntable

        def samples(self, folder):
            return [Sample(sorted((Path(__file__).parent / "data").glob("*.log")))]

Needs pytest and this project; with hypothesis there are more tests. Not proved here: that the values are right. Only
the author knows what the samples hold, so only the author's own tests can hold the values against it.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import importlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache, cached_property
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, ClassVar, NoReturn
from weakref import WeakKeyDictionary

import numpy as np
import pytest

from anechain.campaign.file import Setup
from anechain.conformance.foreign_samples import foreign_files, huge_line, junk
from anechain.errors import InputError
from anechain.importing.hooks import Options, Reading, Verdict
from anechain.importing.identify import choose, verdicts
from anechain.importing.importers import Broken, Importer, adopt, ask, find_importers, load_file
from anechain.importing.options import parse_options
from anechain.registry.sources import SOURCES

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ImporterConformance", "Sample"]

_KILOBYTE = 1024
_MOST_SAID = 5
_ENVIRONMENTS = (
    {"PYTHONHASHSEED": "1"},
    # Another seed, and a machine with no language, no UTF-8 and another time.
    {"PYTHONHASHSEED": "2", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "TZ": "Pacific/Chatham"},
)


@dataclass(frozen=True)
class Sample:
    """Files of one device that the importer reads together.

    Attributes
    ----------
    files : sequence of Path
        The raw files, each with another name. They are copied before anything is done with them.
    options : mapping
        The importer's options as a campaign states them; a path in them is the name of one of `companions`.
    companions : sequence of Path
        Files that the options name.
    of : str
        What the files are of: "responses", "harmonics", "impedance" or "multitone".
    setup : mapping
        The setup as a campaign states it, such as {"level_kind": "spl", "distance": 2.0, "drive": 2.83}.
    says : sequence of str
        Words that the import report has to hold: what is dropped, repaired or assumed in these files.
    named : bool
        Whether a campaign has to name the importer, since nothing in the files tells them from those of others.
    """

    files: Sequence[Path]
    options: Mapping[str, Any] = field(default_factory=dict)
    companions: Sequence[Path] = ()
    of: str = "responses"
    setup: Mapping[str, Any] = field(default_factory=dict)
    says: Sequence[str] = ()
    named: bool = False


@dataclass(frozen=True)
class _Case:
    """A sample whose files lie together in one folder, as those of a campaign do."""

    number: int
    folder: Path
    files: tuple[Path, ...]
    sample: Sample

    def __str__(self) -> str:
        return (
            f"sample {self.number} ({', '.join(path.name for path in self.files[:3])}{', ...' * (len(self.files) > 3)})"
        )

    def copied(self, folder: Path) -> _Case:
        target = folder / self.folder.name
        shutil.copytree(self.folder, target)
        return _Case(self.number, target, tuple(target / path.name for path in self.files), self.sample)


def _scratch() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="anechain-conformance-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _builtin_foreign() -> dict[str, Path]:
    return foreign_files(_scratch())


class _Prepared:
    """An importer under test with its samples, made once for each class of tests."""

    def __init__(self, tests: ImporterConformance):
        self.folder = _scratch()
        self.tests = tests
        self.importer = _resolved(type(tests).plugin)

    @cached_property
    def cases(self) -> tuple[_Case, ...]:
        made = self.folder / "made"
        made.mkdir()
        return tuple(self._placed(number, sample) for number, sample in enumerate(self.tests.samples(made), start=1))

    def _placed(self, number: int, sample: Sample) -> _Case:
        folder = self.folder / f"sample-{number}"
        folder.mkdir()
        names = [path.name for path in (*sample.files, *sample.companions)]
        if not sample.files or len(set(names)) != len(names):
            raise ValueError(f"sample {number} needs files, each with another name; it has {names}")
        for path in (*sample.files, *sample.companions):
            shutil.copyfile(path, folder / path.name)
        return _Case(number, folder, tuple(folder / path.name for path in sample.files), sample)

    @cached_property
    def foreign(self) -> dict[str, Path]:
        own = self.folder / "foreign"
        own.mkdir()
        return _builtin_foreign() | {f"own foreign file {path.name}": path for path in self.tests.foreign(own)}

    @cached_property
    def unreadable(self) -> dict[int, str]:
        """Samples that the importer does not even read, and why: told by one test, and skipped by the others."""
        told = {}
        for case in self.cases:
            try:
                answer = _read(_usable(self.importer), case.copied(self.folder / "unreadable"))
                wrong = "" if isinstance(answer, Reading) else f"it gave {type(answer).__name__}"
            except (Exception, SystemExit) as error:
                wrong = f"{type(error).__name__}: {error}"
            if wrong:
                told[case.number] = wrong
        return told


_prepared: WeakKeyDictionary[type, _Prepared] = WeakKeyDictionary()


class ImporterConformance:
    """What every importer has to keep to. Inherit it, name the plugin, and give samples.

    Attributes
    ----------
    plugin : module, object or str
        The module or object with the three hooks; or the name of an installed entry point; or "module:name".
    akin : set of str
        Kinds of :func:`~anechain.conformance.foreign_samples.foreign_files` that are not foreign, such as "WAV" to
        one that reads sound files. Each of them has to be claimed.
    slowest_identify : float
        Seconds within which it must say whether one file is its own, once its libraries are imported.
    most_cuts : int
        How many cut files are read at most.
    """

    plugin: ClassVar[Any] = None
    akin: ClassVar[frozenset[str] | set[str]] = frozenset()
    slowest_identify: ClassVar[float] = 1.0
    most_cuts: ClassVar[int] = 200

    def samples(self, folder: Path) -> Sequence[Sample]:
        """Good files, at least one set for each way of writing them. Keep them small: they are read hundreds of times.

        Parameters
        ----------
        folder : Path
            An empty folder to make files in; files that lie elsewhere will do as well.
        """
        raise NotImplementedError("give samples")

    def foreign(self, folder: Path) -> Sequence[Path]:  # noqa: ARG002 - for those who override it
        """Files of other formats that look much like one's own, beside those made for all importers."""
        return ()

    # What it says of itself.

    def test_it_loads_and_its_description_is_complete(self) -> None:
        """All hooks are there; title, content and version are stated; what it gives is known."""
        found = _of(self).importer
        if isinstance(found, Broken):
            _fail(f"the importer cannot be used: {found.reason}")
        description = found.description
        for name in ("title", "reads", "version"):
            text = getattr(description, name)
            _demand(isinstance(text, str) and text.strip() == text != "", f"{name} is {text!r}; say it")
            _demand(text.isprintable(), f"{name} is {text!r}; one line of text, please")
        unknown = sorted(set(description.gives) - set(SOURCES))
        _demand(not unknown, f"gives names {unknown}; known are {', '.join(SOURCES)}")
        _demand(bool(description.gives), "gives is empty: such an importer is never asked about anything")

    def test_every_option_is_described_and_the_defaults_are_valid(self) -> None:
        """Each option, inner ones too, has a description; options left out are valid unless one is required."""
        importer = _usable(_of(self).importer)
        model = importer.description.options
        schema = model.model_json_schema()
        for part, described in {"": schema, **schema.get("$defs", {})}.items():
            for name, one in described.get("properties", {}).items():
                _demand(
                    bool(str(one.get("description", "")).strip()),
                    f"option {part}{'.' * bool(part)}{name} is not described",
                )
        for case in _of(self).cases:
            options = self._accept(importer, case.sample.options, case.folder)
            # Given in so many words, the defaults are checked whatever the model says of checking them.
            left_out = {name: value for name, value in dict(options).items() if name not in case.sample.options}
            try:
                model.model_validate({**dict(options), **left_out})
            except ValueError as error:
                _fail(f"the options' defaults are not valid: {' '.join(str(error).split())}")

    def test_options_are_checked(self) -> None:
        """The samples' options are accepted, an unknown one is refused by name, and companion files are given back."""
        importer = _usable(_of(self).importer)
        for case in _of(self).cases:
            options = self._accept(importer, case.sample.options, case.folder)
            named = {value for value in dict(options).values() if isinstance(value, Path)}
            forgotten = sorted(path.name for path in named - set(options.companion_files()))
            _demand(not forgotten, f"{', '.join(forgotten)}: named in the options, but not among companion_files()")
            try:
                parse_options(importer, {**case.sample.options, "no_such_option": 1}, "campaign", "", case.folder)
            except InputError as input_error:
                _demand(
                    "no_such_option" in str(input_error),
                    f"an unknown option is refused, but not by its name: {input_error}",
                )
            else:
                _fail("an option that does not exist is accepted; inherit from anechain.hooks.Options, extra='forbid'")

    # Which files it claims.

    def test_it_claims_its_own_samples(self, tmp_path: Path) -> None:
        """Each sample file gets a confidence above 0."""
        importer = _usable(_of(self).importer)
        for path in (path for case in _copies(self, tmp_path) for path in case.files):
            verdict = _verdict(importer, path)
            _demand(verdict.confidence > 0, f"{path.name}: not claimed ({verdict.reason})")

    def test_a_campaign_finds_it_without_naming_it(self, tmp_path: Path) -> None:
        """Asked together with all installed importers, this one wins its samples (see :attr:`Sample.named`)."""
        importer = _usable(_of(self).importer)
        installed, broken = find_importers()
        mine = importer.hooks.get_plugins()
        others = {name: one for name, one in installed.items() if not mine & one.hooks.get_plugins()}
        for case in _copies(self, tmp_path):
            if case.sample.named:
                continue
            able = {name: one for name, one in others.items() if case.sample.of in one.description.gives}
            try:
                chosen = choose(case.files, {**able, importer.name: importer}, broken, str(case))
            except InputError as input_error:
                _fail(f"{case} is not found without naming the importer: {input_error}")
            _demand(chosen is importer, f"{case} goes to {chosen.name}: claim your own files with more confidence")

    def test_it_claims_no_foreign_file(self, tmp_path: Path) -> None:
        """Files of other formats get a confidence of 0, but for those it is `akin` to, which it claims."""
        importer, prepared = _usable(_of(self).importer), _of(self)
        unknown = sorted(set(self.akin) - prepared.foreign.keys())
        _demand(not unknown, f"akin names {unknown}; the kinds are {', '.join(prepared.foreign)}")
        wrong = []
        for kind, path in _foreign(prepared, tmp_path).items():
            verdict = _verdict(importer, path)
            if (verdict.confidence > 0) != (kind in self.akin):
                wrong.append(f"{kind} ({path.name}): confidence {verdict.confidence:g} ({verdict.reason})")
        _demand(not wrong, f"claims of foreign files, or no claim of what it is akin to: {_few(wrong)}")

    def test_identify_never_raises_on_junk(self, tmp_path: Path) -> None:
        """Random bytes, broken text, one huge line, samples cut and mixed: always a verdict, never an exception."""
        importer = _usable(_of(self).importer)
        wrong = []
        for name, content in junk(_contents(self)).items():
            for ending in _endings(self):
                path = tmp_path / f"junk{ending}"
                path.write_bytes(content)
                answer = _answer(importer, path)
                if isinstance(answer, Broken):
                    wrong.append(f"{name} as {path.name}: {answer.reason}")
        _demand(not wrong, _few(wrong))

    def test_identify_never_raises_on_random_bytes(self, tmp_path: Path) -> None:
        """The same, of contents that hypothesis finds: random bytes, random text, samples with random bytes put in."""
        pytest.importorskip("hypothesis", reason="hypothesis is not installed; fixed junk is tried all the same")
        from hypothesis import HealthCheck, given, settings
        from hypothesis import strategies as st

        importer = _usable(_of(self).importer)
        # With one file only: the endings are tried with the fixed junk.
        path = tmp_path / f"junk{_endings(self)[0]}"
        heads = [content[:4096] for content in _contents(self).values()]
        spliced = st.tuples(st.sampled_from(heads), st.integers(0, 4096), st.binary(min_size=1, max_size=40)).map(
            lambda parts: parts[0][: parts[1]] + parts[2] + parts[0][parts[1] + len(parts[2]) :]
        )
        texts = st.text(min_size=1, max_size=400).map(lambda text: text.encode(errors="replace"))

        @settings(
            max_examples=120, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
        )
        @given(st.binary(min_size=1, max_size=1000) | texts | spliced)
        def answers(content: bytes) -> None:
            path.write_bytes(content)
            answer = _answer(importer, path)
            if isinstance(answer, Broken):
                _fail(f"{content[:80]!r}: {answer.reason}")

        answers()

    def test_identify_says_the_same_twice(self, tmp_path: Path) -> None:
        """The same file gets the same confidence and the same reason."""
        importer = _usable(_of(self).importer)
        for path in _all_files(self, tmp_path):
            first, second = _verdict(importer, path), _verdict(importer, path)
            _demand(first == second, f"{path.name}: first {first}, then {second}")

    def test_identify_writes_nothing(self, tmp_path: Path) -> None:
        """No file is changed, and none appears, beside the files and in the working folder."""
        importer = _usable(_of(self).importer)
        paths = _all_files(self, tmp_path)
        with _watched(tmp_path, "anechain_identify"):
            for path in paths:
                _answer(importer, path)

    def test_identify_is_fast(self, tmp_path: Path) -> None:
        """Each sample, each foreign file and one line of 2 MB is judged within `slowest_identify` seconds.

        The first answer is not timed, since it imports libraries; the best of three of the others counts.
        """
        importer = _usable(_of(self).importer)
        (tmp_path / "line").mkdir()
        lines = []
        for ending in _endings(self):
            lines.append(tmp_path / "line" / f"huge{ending}")
            lines[-1].write_bytes(huge_line())
        for path in (*lines, *_all_files(self, tmp_path)):
            _answer(importer, path)
            took = float("inf")
            for _ in range(3):
                start = time.perf_counter()
                _answer(importer, path)
                took = min(took, time.perf_counter() - start)
                if took <= self.slowest_identify:
                    break
            _demand(
                took <= self.slowest_identify,
                f"{path.name}: {took:.1f} s, more than {self.slowest_identify:g} s; read less of the file",
            )

    # How it reads.

    def test_its_samples_become_valid_datasets(self, tmp_path: Path) -> None:
        """Each sample is read as `anechain run` reads it, and what comes out is what the contract describes."""
        from anechain.stages.ingest import Source, read_sources

        importer = _usable(_of(self).importer)
        for case in _copies(self, tmp_path):
            _demand(
                case.sample.of in importer.description.gives,
                f"{case} is of {case.sample.of}, which the description does not name among `gives`",
            )
            options = parse_options(importer, case.sample.options, "campaign", "options.", case.folder)
            source = Source(case.sample.of, list(case.files), importer, options, None)
            try:
                datasets = read_sources([source], Setup(**case.sample.setup), "sample", "Sample")
            except InputError as input_error:
                _fail(f"{case} is refused: {input_error}")
            _demand(case.sample.of in datasets, f"{case} gave no {case.sample.of}")

    def test_the_report_is_complete(self, tmp_path: Path) -> None:
        """One line for each thing, and all that the samples say it has to hold; gaps the contract asks after."""
        for case in _readable(self, tmp_path):
            reading = _reading(self, case)
            report = reading.report
            well = isinstance(report, tuple) and all(isinstance(line, str) for line in report)
            _demand(well, f"{case}: the report is {report!r}, not a tuple of texts")
            lines = [line for line in report if not line.strip() or "\n" in line]
            _demand(not lines, f"{case}: report lines that are blank or several: {lines!r}")
            for words in case.sample.says:
                _demand(
                    any(words in line for line in report), f"{case}: the report does not say “{words}”, but {report!r}"
                )

    def test_every_file_is_used_or_named_in_the_report(self, tmp_path: Path) -> None:
        """Without any one of its files a sample reads otherwise, or not at all; or the report names that file.

        Two files of one direction, such as 0 degrees on both orbits, may hold the same: then the report must tell.
        """
        for case in _readable(self, tmp_path):
            if len(case.files) < 2:
                continue
            whole = _reading(self, case)
            report = "\n".join(map(str, whole.report))
            for path in case.files:
                try:
                    without = _reading(self, case, [one for one in case.files if one != path])
                except Exception:
                    continue  # without it there is no reading, so it is used
                _demand(
                    _digest(without) != _digest(whole) or _wordings(without) != _wordings(whole) or path.name in report,
                    f"{case}: {path.name} changes nothing, and the report does not say so",
                )

    def test_raw_files_are_left_alone(self, tmp_path: Path) -> None:
        """Files and folder that must not be written are read; nothing is changed, and nothing appears.

        Where the tests run as an administrator, rights do not hold, but dates, bytes and listings tell all the same.
        """
        for case in _readable(self, tmp_path):
            with _write_protected(case.folder), _watched(tmp_path, "anechain_read"):
                try:
                    _reading(self, case)
                except Exception as error:
                    _fail(f"{case} is not read where it must not be written: {type(error).__name__}: {error}")

    def test_reading_twice_gives_the_same(self, tmp_path: Path) -> None:
        """The same files give the same datasets, to the last bit, and the same report."""
        for case in _readable(self, tmp_path):
            first, second = _reading(self, case), _reading(self, case)
            _demand(
                _digest(first) == _digest(second) and first.report == second.report,
                f"{case}: another reading of the same files gives something else",
            )

    def test_the_order_of_the_files_does_not_matter(self, tmp_path: Path) -> None:
        """The same files in another order give the same datasets, and a report of the same lines."""
        for case in _readable(self, tmp_path):
            first = _reading(self, case)
            for files in (case.files[::-1], case.files[1:] + case.files[:1]):
                other = _reading(self, case, files)
                _demand(_digest(first) == _digest(other), f"{case}: in another order the files give other datasets")
                _demand(
                    sorted(first.report) == sorted(other.report),
                    f"{case}: in another order the files give another report: {first.report} and {other.report}",
                )

    def test_a_fresh_process_reads_the_same(self, tmp_path: Path) -> None:
        """New processes, with other hash seeds, and without a language, UTF-8 or our time zone, read the same."""
        cases = _readable(self, tmp_path)
        target = _target(type(self).plugin)
        if target is None:
            pytest.skip("the plugin is an object that no other process finds; give it as 'module:name'")
        here = [_summary(_reading(self, case)) for case in cases]
        elsewhere = tmp_path / "elsewhere"
        elsewhere.mkdir()
        asked = {
            "plugin": target,
            "cases": [
                {
                    "folder": str(case.folder),
                    "files": [path.name for path in case.files],
                    "options": dict(case.sample.options),
                }
                for case in cases
            ],
        }
        started = []
        for environment in _ENVIRONMENTS:
            code = (
                f"import sys; sys.path[:] = {sys.path!r}; "
                "from anechain.conformance import suite; suite._read_elsewhere()"
            )
            started.append(
                subprocess.Popen(
                    [sys.executable, "-c", code],
                    env={**os.environ, **environment},
                    cwd=elsewhere,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                    text=True,
                    encoding="utf-8",
                    errors="replace",
                )
            )
        # All are asked before any is waited for.
        ended = [process.communicate(json.dumps(asked)) for process in started]
        for environment, process, (out, err) in zip(_ENVIRONMENTS, started, ended, strict=True):
            _demand(process.returncode == 0, f"a new process with {environment} failed: {err.strip()[-1000:]}")
            for case, mine, other in zip(cases, here, json.loads(out.splitlines()[-1]), strict=True):
                _demand(mine == other, f"{case}: a new process with {environment} reads {other}, this one {mine}")

    def test_a_cut_file_is_read_or_refused(self, tmp_path: Path) -> None:
        """Each file is cut at every kilobyte, or every sixteenth of it if that is less, and read with the others.

        That gives a `Reading`, or a `InputError` that names the file, and never another exception. Of more cuts than
        `most_cuts`, two hundred unless the class says otherwise, only so many are tried, evenly spread over all.
        """
        wrong = []
        for case, path, at, outcome in self._cut(tmp_path):
            if isinstance(outcome, InputError):
                if path.name not in str(outcome):
                    wrong.append(f"{case}, {path.name} cut after {at} bytes: the refusal does not name it: {outcome}")
            elif not isinstance(outcome, Reading):
                wrong.append(f"{case}, {path.name} cut after {at} bytes: {_named(outcome)}")
        _demand(not wrong, _few(wrong))

    def test_foreign_files_are_refused(self, tmp_path: Path) -> None:
        """Told to read a file of another format, as a campaign that names the importer does, it refuses it by name."""
        wrong = []
        for kind, path, outcome in self._misread(tmp_path):
            if isinstance(outcome, InputError):
                if path.name not in str(outcome):
                    wrong.append(f"{kind} ({path.name}): the refusal does not name the file: {outcome}")
            elif kind not in self.akin or not isinstance(outcome, Reading):
                wrong.append(f"{kind} ({path.name}): {_named(outcome)}")
        _demand(not wrong, _few(wrong))

    def test_refusals_say_what_was_found_and_how_to_mend_it(self, tmp_path: Path) -> None:
        """Every problem, of cut and of foreign files, says where, what was found there, and what to do about it."""
        (tmp_path / "cut").mkdir()
        (tmp_path / "foreign").mkdir()
        outcomes = [outcome for *_, outcome in self._cut(tmp_path / "cut", most=12)]
        outcomes += [outcome for *_, outcome in self._misread(tmp_path / "foreign")]
        problems = {problem for one in outcomes if isinstance(one, InputError) for problem in one.problems}
        for problem in sorted(problems, key=str):
            for name in ("where", "what", "fix"):
                _demand(bool(getattr(problem, name).strip()), f"a refusal leaves `{name}` empty: {problem}")
            _demand("Traceback" not in str(problem), f"a refusal shows a traceback: {problem}")

    # What the tests above share.

    def _accept(self, importer: Importer, options: Mapping[str, Any], folder: Path) -> Options:
        try:
            return parse_options(importer, options, "campaign", "options.", folder)
        except InputError as input_error:
            _fail(f"options {dict(options)} are refused: {input_error}")

    def _cut(self, folder: Path, most: int | None = None) -> Iterator[tuple[_Case, Path, int, object]]:
        importer, cases = _usable(_of(self).importer), _readable(self, folder)
        cuts = [
            (case, path, at)
            for case in cases
            for path in case.files
            for size in [path.stat().st_size]
            for at in range(min(_KILOBYTE, max(1, size // 16)), size, min(_KILOBYTE, max(1, size // 16)))
        ]
        most = most or self.most_cuts
        if len(cuts) > most:
            cuts = [cuts[round(i * (len(cuts) - 1) / max(1, most - 1))] for i in range(most)]
        for case, path, at in cuts:
            whole = path.read_bytes()
            path.write_bytes(whole[:at])
            yield case, path, at, _outcome(importer, case, case.files)
            path.write_bytes(whole)

    def _misread(self, folder: Path) -> Iterator[tuple[str, Path, object]]:
        importer, cases = _usable(_of(self).importer), _copies(self, folder)
        for kind, path in _foreign(_of(self), folder).items():
            placed = cases[0].folder / path.name
            shutil.copyfile(path, placed)
            yield kind, path, _outcome(importer, cases[0], [placed])
            placed.unlink()


def _fail(what: str) -> NoReturn:
    raise AssertionError(what)


def _demand(true: bool, what: str) -> None:
    # Not `assert`: that would be silent under python -O.
    if not true:
        _fail(what)


def _few(wrong: Sequence[str]) -> str:
    more = [f"and {len(wrong) - _MOST_SAID} more"] if len(wrong) > _MOST_SAID else []
    return "\n".join([*wrong[:_MOST_SAID], *more])


def _named(outcome: object) -> str:
    if isinstance(outcome, BaseException):
        return f"raised {type(outcome).__name__}: {outcome}"
    return "was read" if isinstance(outcome, Reading) else f"gave {type(outcome).__name__}, not a Reading"


def _of(tests: ImporterConformance) -> _Prepared:
    known = _prepared.get(type(tests))
    if known is None:
        known = _prepared[type(tests)] = _Prepared(tests)
    return known


def _resolved(plugin: Any) -> Importer | Broken:
    """The importer that a class of tests names."""
    if not isinstance(plugin, str):
        name = plugin.__name__ if isinstance(plugin, ModuleType) else type(plugin).__name__
        return adopt(name.rsplit(".", 1)[-1], name, plugin)
    usable, broken = find_importers()
    if plugin in usable:
        return usable[plugin]
    for one in broken:
        if one.name == plugin:
            return one
    module, _, name = plugin.partition(":")
    try:
        found: object = importlib.import_module(module)
        return adopt(name or module, plugin, getattr(found, name) if name else found)
    except (ImportError, AttributeError) as error:
        return Broken(plugin, plugin, f"neither an installed importer nor a module: {error}")


def _target(plugin: Any) -> list[str] | None:
    """How another process finds the plugin: its name and, for a module, its file."""
    if isinstance(plugin, str):
        return [plugin, ""]
    if isinstance(plugin, ModuleType):
        return [plugin.__name__, str(plugin.__file__ or "")]
    module = type(plugin).__module__
    for name, value in vars(sys.modules.get(module)).items() if module in sys.modules else ():
        if value is plugin:
            return [f"{module}:{name}", ""]
    return None


def _usable(found: Importer | Broken) -> Importer:
    if isinstance(found, Broken):
        pytest.skip(f"it does not load: {found.reason}")
    return found


def _copies(tests: ImporterConformance, folder: Path) -> list[_Case]:
    cases = [case.copied(folder) for case in _of(tests).cases]
    _demand(bool(cases), "there is no sample: give at least one")
    return cases


def _readable(tests: ImporterConformance, folder: Path) -> list[_Case]:
    """Copies of the samples that the importer reads at all; what keeps it from the others, one test tells."""
    _usable(_of(tests).importer)
    cases = [case for case in _copies(tests, folder) if case.number not in _of(tests).unreadable]
    if not cases:
        pytest.skip(f"no sample is read: {next(iter(_of(tests).unreadable.values()))}")
    return cases


def _foreign(prepared: _Prepared, folder: Path) -> dict[str, Path]:
    copies = folder / "foreign-files"
    copies.mkdir()
    return {kind: Path(shutil.copy2(path, copies)) for kind, path in prepared.foreign.items()}


def _all_files(tests: ImporterConformance, folder: Path) -> list[Path]:
    own = [path for case in _copies(tests, folder) for path in case.files]
    return own + list(_foreign(_of(tests), folder).values())


def _contents(tests: ImporterConformance) -> dict[str, bytes]:
    """The first file of each sample, as far as junk is made of it."""
    return {f"{case.files[0].name} of sample {case.number}": case.files[0].read_bytes() for case in _of(tests).cases}


def _endings(tests: ImporterConformance) -> list[str]:
    """File name endings of the samples, and none: some importers look at content only if the name fits."""
    return [*sorted({"".join(path.suffixes[-2:]) for case in _of(tests).cases for path in case.files} - {""}), ""]


def _answer(importer: Importer, path: Path) -> Verdict | Broken:
    return verdicts(path, {importer.name: importer})[importer.name]


def _verdict(importer: Importer, path: Path) -> Verdict:
    answer = _answer(importer, path)
    if isinstance(answer, Broken):
        pytest.skip(f"it does not answer (another test tells): {answer.reason}")
    return answer


def _read(importer: Importer, case: _Case, files: Sequence[Path] | None = None) -> object:
    options = parse_options(importer, case.sample.options, "campaign", "options.", case.folder)
    return ask(importer.hooks.hook.anechain_read, paths=list(files or case.files), options=options)


def _reading(tests: ImporterConformance, case: _Case, files: Sequence[Path] | None = None) -> Reading:
    answer = _read(_usable(_of(tests).importer), case, files)
    if not isinstance(answer, Reading):
        _fail(f"{case}: gave {type(answer).__name__}, not a Reading")
    return answer


def _outcome(importer: Importer, case: _Case, files: Sequence[Path]) -> object:
    """What the importer makes of files that are wrong: its answer, or what it raised."""
    try:
        return _read(importer, case, files)
    except (Exception, SystemExit) as error:
        return error


def _datasets(reading: Reading) -> dict[str, xr.Dataset]:
    named = {one.name: getattr(reading, one.name) for one in fields(reading)}
    return {name: data for name, data in named.items() if hasattr(data, "data_vars")}


def _digest(reading: Reading) -> str:
    """Hash of all datasets of a reading, to the last bit, and of what else it holds, but for the report."""
    datasets = _datasets(reading)
    others = [one.name for one in fields(reading) if one.name not in {*datasets, "report"}]
    fed = hashlib.sha256(repr([(name, getattr(reading, name)) for name in others]).encode())
    for kind, data in sorted(datasets.items()):
        fed.update(repr((kind, sorted(map(repr, data.attrs.items())))).encode())
        for name in sorted(map(str, data.variables)):
            variable = data[name]
            values = np.asarray(variable.values)
            text = values.dtype.kind in "OUS"
            fed.update(repr((name, variable.dims, values.shape, "text" if text else values.dtype.str)).encode())
            fed.update(repr(values.astype(str).tolist()).encode() if text else values.tobytes())
    return fed.hexdigest()


def _wordings(reading: Reading) -> set[str]:
    """Lines of the report without their numbers: a count of files is no sign that a file was used."""
    return {re.sub(r"[0-9]+", "", str(line)) for line in reading.report}


def _summary(reading: Reading) -> dict[str, Any]:
    return {"datasets": _digest(reading), "report": list(map(str, reading.report))}


def _read_elsewhere() -> None:
    """What a fresh process does: read the samples named on standard input and print what came out of them."""
    asked = json.load(sys.stdin)
    name, file = asked["plugin"]
    importer = _resolved(name)
    if isinstance(importer, Broken) and file:
        importer = _resolved(load_file(Path(file)))
    if isinstance(importer, Broken):
        raise SystemExit(importer.reason)
    told = []
    for number, one in enumerate(asked["cases"]):
        folder = Path(one["folder"])
        files = tuple(folder / name for name in one["files"])
        case = _Case(number, folder, files, Sample(files, one["options"]))
        outcome = _outcome(importer, case, files)
        told.append(_summary(outcome) if isinstance(outcome, Reading) else _named(outcome))
    print(json.dumps(told))  # noqa: T201


def _snapshot(folder: Path) -> dict[str, tuple[int, str]]:
    """Date and content of all files below a folder, and the dates of its folders."""
    found = {}
    for path in [folder, *sorted(folder.rglob("*"))]:
        content = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        found[path.relative_to(folder).as_posix()] = path.stat().st_mtime_ns, content
    return found


@contextlib.contextmanager
def _watched(folder: Path, hook: str) -> Iterator[None]:
    """Demand that nothing below a folder changes, the working folder meanwhile."""
    work = folder / "working folder"
    work.mkdir(exist_ok=True)
    before = _snapshot(folder)
    with contextlib.chdir(work):
        yield
    after = _snapshot(folder)
    new, gone = sorted(after.keys() - before.keys()), sorted(before.keys() - after.keys())
    changed = sorted(name for name in before.keys() & after.keys() if before[name] != after[name])
    _demand(before == after, f"{hook} wrote: new {new}, gone {gone}, changed {changed}")


@contextlib.contextmanager
def _write_protected(folder: Path) -> Iterator[None]:
    paths = [*(path for path in folder.iterdir() if path.is_file()), folder]
    modes = {path: path.stat().st_mode for path in paths}
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        yield
    finally:
        for path in reversed(paths):
            path.chmod(modes[path])
