"""A check before a run: what it says is what the import would find, and it writes nothing."""

import os
import pty
import subprocess
import sys

import pytest
from click.testing import CliRunner

import physics
from anechain.cautions import CAUTION
from anechain.cli import commands
from anechain.cli.campaign_check import check_devices, highest_drive, report_lines
from anechain.data.checks import report_line
from anechain.data.store import read_dataset
from anechain.errors import InputError
from anechain.running.manifests import entry_of
from anechain.running.prepare import load_plan, prepare
from anechain.stages.batch import run_batch
from anechain.stages.ingest import import_device
from campaigns import FREQUENCY, campaign, snapshot

COIL = "    impedance: {files: [raw/coil.txt], importer: columns}\n    setup:"


def listing(folder):
    return {path.relative_to(folder).as_posix(): path.stat().st_mtime_ns for path in folder.rglob("*")}


def run(*arguments):
    """Outcome of the command, which changes nothing in the campaign's folder."""
    folder = arguments[0].parent
    before = snapshot(folder), listing(folder)
    done = CliRunner().invoke(commands, ["check", *map(str, arguments)])
    assert (snapshot(folder), listing(folder)) == before, "something was written"
    assert done.exception is None or isinstance(done.exception, InputError | SystemExit), done.exception
    return done


@pytest.fixture
def lab(tmp_path):
    return campaign(tmp_path / "lab")


def test_a_good_campaign(lab):
    done = run(lab)
    assert done.exit_code == 0 and done.stderr == ""
    count = len(physics.orbit_angles(10))
    orbits = ", ".join(f"{plane} {count} angles -170° to 180°" for plane in ("horizontal", "vertical"))
    held = f"responses from {2 * count} files by delimited ({orbits}, 62.5 Hz to 16 kHz, spl)"
    assert FREQUENCY[0] == 62.5 and FREQUENCY[-1] == 16000
    assert done.stdout == f"rowan: {held}\nalder: {held}\n2 devices can be imported\n"


def test_the_report_is_what_the_import_writes(lab):
    done = run(lab, "--verbose")
    plan = prepare(lab)
    run_batch(plan, "ingest", "0001")
    for device in ("rowan", "alder"):
        dataset = read_dataset(plan.results / device / "responses.nc")
        report = dataset.attrs["import_report"].splitlines()
        assert report and all(f"    responses: {line}\n" in done.stdout for line in report)
        found = import_device(plan, device).datasets["responses"]
        del dataset.attrs["receipt"]
        assert found.identical(dataset)


def test_all_problems_of_all_devices_are_shown(lab):
    raw = lab.parent / "raw"
    for device, line in (("rowan", 5), ("alder", 7)):
        for name in (f"{device} vertical -60.csv", f"{device} horizontal +10.csv"):
            path = raw / device / name
            lines = path.read_text().splitlines()
            lines[line] = lines[line].split(",")[0] + ",loud"
            path.write_text("\n".join(lines) + "\n")
    done = run(lab)
    assert done.exit_code == 1
    assert done.stdout == "rowan: refused, 2 problems\nalder: refused, 2 problems\n"
    for device in ("rowan", "alder"):
        for name in (f"{device} vertical -60.csv", f"{device} horizontal +10.csv"):
            assert name in done.stderr
    assert "2 of 2 devices cannot be imported: rowan, alder" in str(done.exception)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("pattern:", "patern:", "did you mean pattern?"),
        ("raw/rowan/*.csv", "raw/rowan/*.txt", "matches no file"),
        ("level_kind: spl, distance: 2, drive: 2.83, valid_band", "valid_band", None),
        ("options:", "importer: unheard-of\n      options:", "unheard-of is not installed"),
    ],
)
def test_it_says_what_the_import_says(lab, old, new, words):
    lab.write_text(lab.read_text().replace(old, new, 1))
    done = run(lab)
    plan = prepare(lab)
    run_batch(plan, "ingest", "0001")
    entry = entry_of(plan, "ingest", "rowan")
    assert (done.exit_code == 0) == ("outputs" in entry) == (words is None)
    if words is not None:
        assert words in done.stderr and done.stderr.strip() == "\n".join(entry["failed"])
        assert "alder: responses from " in done.stdout


def test_neighbours_of_one_mend_name_it_once(lab):
    """A wrong pattern is wrong for every file: all are named, and what to do about it is said once."""
    lab.write_text(lab.read_text().replace("{plane} {angle}", "{angle} {plane}", 1))
    done = run(lab)
    files = len(list((lab.parent / "raw" / "rowan").glob("*.csv")))
    assert files > 20 and done.stderr.count("does not fit the pattern") == files
    assert done.stderr.count("    fix: ") == done.stderr.count("    expected: ") == 1


def test_a_file_named_in_the_options_that_is_not_there(lab):
    lab.write_text(lab.read_text().replace("options: {", "options: {manifest: raw/none.csv, ", 1))
    done = run(lab)
    assert "responses.options.manifest is 'raw/none.csv', but there is no such file" in done.stderr
    assert str(lab.parent) not in done.stderr


def test_a_campaign_file_that_is_wrong(lab):
    lab.write_text(lab.read_text().replace("title: Rowan", "titel: Rowan"))
    done = run(lab)
    assert done.exit_code == 1 and "did you mean title?" in str(done.exception) and done.stdout == ""


def test_one_source_that_is_wrong_does_not_hide_another(lab):
    (lab.parent / "raw" / "coil.txt").write_text("Frequency (Hz)\tImpedance (ohm)\n20\t-6\n200\t6.1\n")
    path = lab.parent / "raw" / "rowan" / "rowan vertical -60.csv"
    path.write_text(path.read_text().replace(",", ",loud", 3))
    lab.write_text(lab.read_text().replace("    setup:", COIL, 1))
    done = run(lab)
    assert "rowan vertical -60.csv" in done.stderr and "coil.txt" in done.stderr


def test_other_sources_are_told(lab):
    (lab.parent / "raw" / "coil.txt").write_text(
        "Frequency (Hz)\tImpedance (ohm)\tPhase (deg)\n20\t6\t0\n2000\t8\t30\n"
    )
    lab.write_text(lab.read_text().replace("    setup:", COIL, 1))
    done = run(lab)
    assert done.exit_code == 0, done.stderr
    assert "; impedance from 1 file by columns (20 Hz to 2 kHz)" in done.stdout.splitlines()[0]


PRIVATE = """
from anechain.hooks import NO, Description, Reading, Verdict, hookimpl
from pathlib import Path
(Path(__file__).parent / "ran").touch()

@hookimpl
def anechain_describe():
    return Description("Private", "nothing", "1")

@hookimpl
def anechain_identify(path):
    return Verdict(NO, "never")

@hookimpl
def anechain_read(paths, options):
    return Reading()
"""


def test_private_importers_need_consent(lab):
    (lab.parent / "mine.py").write_text(PRIVATE)
    lab.write_text(lab.read_text().replace("devices:\n", "importers: [mine.py]\ndevices:\n", 1))
    done = run(lab)
    assert done.exit_code == 1 and "--trust-importers" in str(done.exception)
    assert not (lab.parent / "ran").exists()
    (lab.parent / "mine.py").write_text(PRIVATE.replace("(Path", "# (Path"))
    assert run(lab, "--trust-importers").exit_code == 0


def test_high_drives_are_cautioned_once(lab):
    assert CAUTION not in run(lab).stderr
    lab.write_text(lab.read_text().replace("drive: 2.83", "drive: 9"))
    assert run(lab).stderr.count(CAUTION) == 1


def test_high_drives_that_only_the_raw_files_hold_are_cautioned_too(lab):
    raw = lab.parent / "raw"
    for drive in (2, 20):
        rows = "".join(f"{f},90,50\n" for f in (100, 200, 400))
        (raw / f"harmonics {drive} V.txt").write_text(f"Hz,fundamental [dB SPL],H2 [dB SPL]\n{rows}")
    source = """\
    harmonics:
      files: ["raw/harmonics*"]
      options: {pattern: "harmonics {drive} V.txt"}
    setup:"""
    lab.write_text(lab.read_text().replace("    setup:", source, 1))
    done = run(lab)
    assert done.exit_code == 0, done.stderr
    assert "drives 2 V, 20 V" in done.stdout and done.stderr.count(CAUTION) == 1
    rowan, alder = check_devices(load_plan(lab))
    assert highest_drive(rowan) == 20 and highest_drive(alder) == 2.83
    assert "orders to 2" in report_lines(rowan)[0]


def test_what_the_checks_of_the_raw_data_find_is_shown(lab):
    # One file under the name of a direction that is much quieter: the sound of 90 degrees at 30.
    folder = lab.parent / "raw" / "alder"
    (folder / "alder horizontal +30.csv").write_bytes((folder / "alder horizontal +170.csv").read_bytes())
    (alder,) = [one for one in check_devices(load_plan(lab)) if one.device == "alder"]
    found = [one for one in alder.imported.checks if one.verdict in ("doubtful", "bad")]
    assert found, "a file under another direction's name is noticed"
    shown = report_lines(alder)[1:]
    assert shown == [f"    {report_line(one)}" for one in found] and all(line in run(lab).stdout for line in shown)
    assert set(shown) <= {line.replace("    responses: ", "    ") for line in report_lines(alder, verbose=True)}


def test_an_importer_that_is_at_fault_is_named(lab, monkeypatch):
    def fault(plan, device):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("anechain.cli.campaign_check.import_device", fault)
    done = run(lab)
    assert done.exit_code == 1 and "ZeroDivisionError" in done.stderr and "please report it" in done.stderr


def test_progress_is_shown_to_a_person_and_to_nobody_else(lab):
    command = [sys.executable, "-m", "anechain", "check", lab]
    quiet = run(lab)
    assert quiet.stderr == ""
    master, slave = pty.openpty()
    watched = subprocess.run(command, stdout=subprocess.PIPE, stderr=slave, text=True, check=True)
    os.close(slave)
    shown = os.read(master, 4096).decode()
    os.close(master)
    assert watched.stdout == quiet.stdout and "checking 2 devices" in shown and "1 of 2 devices" in shown
