"""The tests that importers inherit are tested: a good importer passes, and each fault fails the test that is for it."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import anechain.testing
import faulty_importers as faulty
import physics
from anechain.conformance.foreign_samples import foreign_files, junk
from anechain.conformance.refusals import read_truncated_files
from anechain.hooks import CERTAIN, Verdict
from anechain.importing.identify import collect_verdicts
from anechain.importing.importers import find_importers
from anechain.testing import ImporterConformance, Sample

FRESH = "test_a_fresh_process_reads_the_same"
CHECKS = [name for name in dir(ImporterConformance) if name.startswith("test_")]
STAND = "% on the tall stand, 23 °C\n"


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path_factory, monkeypatch):
    """One of the faults is to write into the working folder."""
    monkeypatch.chdir(tmp_path_factory.mktemp("working"))


def ring_file(path, orbit, gap=False):
    """One orbit of a first-order source (levels in closed form) at three frequencies."""
    angles = physics.orbit_angles(60)
    level = 84 + physics.level(physics.first_order(0.7)(angles))
    rows = [f"{a:g} {v:.3f} {v:.3f} {v:.3f}" for a, v in zip(angles, level, strict=True)]
    if gap:
        rows[0] = rows[0].rsplit(" ", 1)[0] + " nan"
    path.write_text("\n".join(["rings 1", f"orbit {orbit}", "hertz 100 1000 10000", *rows, STAND]), encoding="utf-8")
    return path


class Trial(ImporterConformance):
    """Samples that show every fault of faulty_importers."""

    def samples(self, folder):
        offset = folder / "offset.txt"
        offset.write_text("1.5")
        return [
            Sample(
                [
                    ring_file(folder / f"{orbit}.ring", orbit, orbit == "vertical")
                    for orbit in ("horizontal", "vertical")
                ],
                report_contains=("1 remarks dropped",),
            ),
            Sample([ring_file(folder / "alone.ring", "horizontal")], {"correction": "offset.txt"}, [offset]),
        ]


def outcomes(tests, folder, leave_out=()):
    """What each inherited test says of a class of tests: what failed, what was skipped, with the words."""
    failed, skipped = {}, {}
    for check in CHECKS:
        if check in leave_out:
            continue
        place = folder / check
        place.mkdir(parents=True)
        method = getattr(tests(), check)
        try:
            method(place) if "tmp_path" in method.__annotations__ else method()
        except AssertionError as error:
            failed[check] = str(error)
        except pytest.skip.Exception as error:
            skipped[check] = str(error)
    return failed, skipped


def trial(plugin, **attributes):
    return type("Trial", (Trial,), {"plugin": plugin, **attributes})


FAULTS = {
    "Untitled": ("test_it_loads_and_its_description_is_complete", "title is ''"),
    "TwoLines": ("test_it_loads_and_its_description_is_complete", "one line of text"),
    "GivesMelodies": ("test_it_loads_and_its_description_is_complete", "['melodies']"),
    "Indescribable": ("test_it_loads_and_its_description_is_complete", "RuntimeError: no idea"),
    "Undescribed": ("test_every_option_is_described_and_the_defaults_are_valid", "option turned is not described"),
    "BadDefault": ("test_every_option_is_described_and_the_defaults_are_valid", "greater than 0"),
    "Careless": ("test_options_are_checked", "an option that does not exist is accepted"),
    "Forgetful": ("test_options_are_checked", "offset.txt: named in the options, but not among companion_files()"),
    "ClaimsEverything": ("test_it_claims_no_foreign_file", "PNG (dot.png): confidence 1", "prose"),
    "RaisesOnJunk": (
        ("test_identify_never_raises_on_junk", "UnicodeDecodeError"),
        ("test_identify_never_raises_on_random_bytes", "UnicodeDecodeError"),
    ),
    "AnswersNothing": (
        ("test_identify_never_raises_on_junk", "returned NoneType, not a Verdict"),
        ("test_identify_never_raises_on_random_bytes", "returned NoneType, not a Verdict"),
    ),
    "ClaimsNothing": (
        ("test_it_claims_its_own_samples", "not claimed (nothing is mine)"),
        ("test_a_campaign_finds_it_without_naming_it", "goes to delimited: claim your own files with more confidence"),
    ),
    "NotesBeside": ("test_identify_writes_nothing", "horizontal.seen"),
    "NotesInTheWorkingFolder": ("test_identify_writes_nothing", "working folder/seen"),
    "Fickle": ("test_identify_is_repeatable", "horizontal.ring: first"),
    "Slow": ("test_identify_is_fast", "more than 0.15 s"),
    "WrongType": ("test_its_samples_become_valid_datasets", "returned dict, not a Reading"),
    "Invalid": ("test_its_samples_become_valid_datasets", "level is 578.807 at horizontal -120° 100 Hz"),
    "HidesRemarks": ("test_the_report_is_complete", "the report does not contain “1 remarks dropped”"),
    "HidesGaps": ("test_its_samples_become_valid_datasets", "missing"),
    "SaysNothing": (
        ("test_the_report_is_complete", "the report does not contain “1 remarks dropped”, but ()"),
        ("test_its_samples_become_valid_datasets", "missing"),
    ),
    "SaysAllInOne": ("test_the_report_is_complete", "blank or have line breaks"),
    "DropsAFile": ("test_every_file_is_used_or_named_in_the_report", "vertical.ring has no effect"),
    "ChangesTheFile": ("test_raw_files_are_not_changed", "changed ['sample-1/horizontal.ring'"),
    "LeavesACache": ("test_raw_files_are_not_changed", "cache"),
    "Random": (
        ("test_reading_is_repeatable", "differs from the first"),
        ("test_the_order_of_the_files_does_not_matter", "other datasets"),
    ),
    "MindsTheOrder": ("test_the_order_of_the_files_does_not_matter", "other datasets"),
    "FailsOnCuts": ("test_a_truncated_file_is_read_or_refused", "raised IndexError: list index out of range"),
    "LeavesOnCuts": ("test_a_truncated_file_is_read_or_refused", "raised SystemExit: enough"),
    "Nameless": (
        ("test_a_truncated_file_is_read_or_refused", "does not name the file"),
        ("test_foreign_files_are_refused", "does not name the file"),
    ),
    "Helpless": ("test_errors_state_what_is_wrong_and_the_fix", "leaves `fix` empty"),
    "ReadsAnything": ("test_foreign_files_are_refused", "PNG (dot.png): was read", "prose"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_fails_the_test_that_is_for_it_and_no_other(tmp_path, fault):
    expected = FAULTS[fault] if isinstance(FAULTS[fault][0], tuple) else [FAULTS[fault]]
    tests = trial(getattr(faulty, fault)(), max_identify_seconds=0.15 if fault == "Slow" else 5.0, max_cuts=30)
    # What takes long is left out where it is not what has to fail; the good importer passes it.
    slow = {FRESH, "test_identify_never_raises_on_random_bytes"} - {name for name, *_ in expected}
    failed, _ = outcomes(tests, tmp_path, slow)
    assert set(failed) == {name for name, *_ in expected}, failed
    for name, words, *more in expected:
        assert words in failed[name] or any(one in failed[name] for one in more), failed[name]


def test_a_good_importer_passes_and_nothing_is_skipped(tmp_path):
    assert outcomes(trial(faulty.good), tmp_path) == ({}, {})


def test_each_fault_is_one_that_the_good_importer_has_not():
    classes = {name for name, one in vars(faulty).items() if isinstance(one, type) and issubclass(one, faulty.Good)}
    here = {"MindsTheHashSeed", "MindsTheLanguage", "ReadsOnlyResponses"}
    assert classes - {"Good"} == FAULTS.keys() | here
    names = {name for fault in FAULTS.values() for name, *_ in (fault if isinstance(fault[0], tuple) else [fault])}
    assert names | {FRESH} == set(CHECKS), "a test that no fault fails could be one that cannot fail"


@pytest.mark.proof
@pytest.mark.parametrize("fault", ["by_seed", "by_language", "at_random"])
def test_what_differs_in_another_process_is_seen(tmp_path, fault):
    tests = trial(getattr(faulty, fault))
    with pytest.raises(AssertionError, match=r"a new process with .* reads "):
        tests().test_a_fresh_process_reads_the_same(tmp_path)
    (tmp_path / "twice").mkdir()
    if fault != "at_random":
        tests().test_reading_is_repeatable(tmp_path / "twice")


def test_a_plugin_that_no_other_process_finds_is_told(tmp_path):
    failed, skipped = outcomes(trial(faulty.Good()), tmp_path, set(CHECKS) - {FRESH})
    assert not failed and "module:name" in skipped[FRESH]


def test_other_tests_are_skipped_with_the_reason_where_one_has_told(tmp_path):
    _, skipped = outcomes(trial(faulty.Indescribable()), tmp_path / "a", [FRESH])
    assert len(skipped) == len(CHECKS) - 2 and all("no idea" in reason for reason in skipped.values())
    _, skipped = outcomes(trial(faulty.WrongType(), max_cuts=9), tmp_path / "b", [FRESH])
    assert "test_a_truncated_file_is_read_or_refused" in skipped
    assert all("it returned dict" in reason for reason in skipped.values())


@pytest.mark.parametrize("claimed_kinds", [{"WAV"}, {"melody"}])
def test_no_kind_is_exempt_without_being_claimed(tmp_path, claimed_kinds):
    failed, _ = outcomes(
        trial(faulty.good, claimed_kinds=claimed_kinds), tmp_path, set(CHECKS) - {"test_it_claims_no_foreign_file"}
    )
    assert claimed_kinds.pop() in failed["test_it_claims_no_foreign_file"]


def test_a_plugin_by_its_name_by_its_module_and_one_that_is_not_there(tmp_path):
    first = CHECKS[CHECKS.index("test_it_loads_and_its_description_is_complete")]
    for plugin in ("delimited", "faulty_importers:good", "rings_importer", faulty.rings_importer):
        getattr(trial(plugin)(), first)()
    for plugin in ("no_such_module", "faulty_importers:nobody"):
        with pytest.raises(AssertionError, match="neither an installed importer nor a module"):
            getattr(trial(plugin)(), first)()


def test_an_author_adds_foreign_files_of_his_own(tmp_path):
    def foreign(self, folder):
        return [ring_file(folder / "other.ring", "horizontal")]

    failed, _ = outcomes(
        trial(faulty.good, foreign=foreign), tmp_path, set(CHECKS) - {"test_it_claims_no_foreign_file"}
    )
    assert "own foreign file other.ring" in failed["test_it_claims_no_foreign_file"]


def test_samples_of_what_the_description_does_not_name(tmp_path):
    def samples(self, folder):
        return [Sample([ring_file(folder / "a.ring", "horizontal")], source="impedance")]

    check = "test_its_samples_become_valid_datasets"
    failed, _ = outcomes(trial(faulty.good, samples=samples), tmp_path / "a", set(CHECKS) - {check})
    assert "is not a source in the description" in failed[check]
    failed, _ = outcomes(trial(faulty.ReadsOnlyResponses(), samples=samples), tmp_path / "b", set(CHECKS) - {check})
    assert "found no impedance" in failed[check]


@pytest.mark.parametrize("samples", [[], [Sample([])]])
def test_without_samples_nothing_is_proved(tmp_path, samples):
    tests = trial(faulty.good, samples=lambda self, folder: samples)
    with pytest.raises((AssertionError, ValueError), match="sample"):
        tests().test_its_samples_become_valid_datasets(tmp_path)


def test_samples_are_copied_so_that_no_importer_can_harm_them(tmp_path):
    path = ring_file(tmp_path / "a.ring", "horizontal")
    before = path.read_bytes(), path.stat().st_mtime_ns
    tests = trial(faulty.ChangesTheFile(), samples=lambda self, folder: [Sample([path])])
    outcomes(tests, tmp_path / "x", [FRESH])
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_no_more_cuts_than_said_and_both_ends_among_them(tmp_path):
    path = tmp_path / "long.ring"
    path.write_bytes(ring_file(tmp_path / "a.ring", "horizontal").read_bytes() + b"% remark\n" * 40_000)
    tests = trial(faulty.good, samples=lambda self, folder: [Sample([path])], max_cuts=50)
    cuts = [at for *_, at, _ in read_truncated_files(tests(), tmp_path / "x")]
    assert len(cuts) == 50 and cuts[0] == 1024 and cuts[-1] == path.stat().st_size // 1024 * 1024
    assert np.ptp(np.diff(cuts)) <= 1024
    small = trial(faulty.good, samples=lambda self, folder: [Sample([tmp_path / "a.ring"])])
    assert len(list(read_truncated_files(small(), tmp_path / "y"))) >= 16  # less than a kilobyte long


def test_the_foreign_files_are_what_they_say(tmp_path):
    """Each is known for its kind by a library, or by the signature of its format."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    files, again = foreign_files(tmp_path / "a"), foreign_files(tmp_path / "b")
    assert len(files) >= 30 and len({path.name for path in files.values()}) == len(files)
    same = {kind for kind in files if files[kind].read_bytes() == again[kind].read_bytes()}
    assert files.keys() - same <= {"workbook", "MATLAB 5", "HDF5", "netCDF-4"}  # these hold a date
    signatures = {
        "PNG": b"\x89PNG\r\n\x1a\n",
        "PDF": b"%PDF-",
        "ZIP": b"PK\x03\x04",
        "gzip": b"\x1f\x8b",
        "WAV": b"RIFF",
        "FLAC": b"fLaC",
        "netCDF-3": b"CDF\x01",
        "netCDF-4": b"\x89HDF\r\n\x1a\n",
        "HDF5": b"\x89HDF\r\n\x1a\n",
        "MATLAB 5": b"MATLAB 5.0",
        "Parquet": b"PAR1",
        "workbook": b"PK\x03\x04",
        "SQLite": b"SQLite format 3\0",
        "XML": b"<?xml",
    }
    for kind, signature in signatures.items():
        assert files[kind].read_bytes().startswith(signature), kind


def test_no_bundled_importer_is_sure_of_a_foreign_file(tmp_path):
    usable, _ = find_importers()
    for kind, path in foreign_files(tmp_path).items():
        for name, answer in collect_verdicts(path, usable).items():
            assert isinstance(answer, Verdict) and answer.confidence < CERTAIN, (kind, name)


def test_junk_holds_no_sample_and_nothing_empty():
    sample = b"rings 1\norbit horizontal\nhertz 100\n" * 20
    made = junk({"a": sample})
    assert len(made) > 20 and b"" not in made.values() and sample not in made.values()


@pytest.mark.proof
def test_it_works_under_pytest_as_a_third_party_uses_it(tmp_path):
    here = Path(__file__).parent
    (tmp_path / "test_rings.py").write_text(f"""\
import sys
sys.path.append({str(here)!r})
import faulty_importers
from anechain.testing import ImporterConformance, Sample
from pathlib import Path

class TestGood(ImporterConformance):
    plugin = faulty_importers.good
    def samples(self, folder):
        return [Sample([Path({str(ring_file(tmp_path / "a.ring", "horizontal"))!r})])]

class TestSilent(TestGood):
    plugin = faulty_importers.Careless()
""")
    asked = ["-q", "-p", "no:cacheprovider", "-W", "error", "-k", "not fresh", "test_rings.py"]
    done = subprocess.run([sys.executable, "-m", "pytest", *asked], cwd=tmp_path, capture_output=True, text=True)
    assert f"1 failed, {2 * len(CHECKS) - 3} passed, 2 deselected" in done.stdout, done.stdout + done.stderr
    assert "FAILED test_rings.py::TestSilent::test_options_are_checked" in done.stdout
    assert "an option that does not exist is accepted" in done.stdout


def test_the_public_names_are_there():
    assert anechain.testing.__all__ == ["ImporterConformance", "Sample"]
    assert all(getattr(ImporterConformance, check).__doc__ for check in CHECKS)
