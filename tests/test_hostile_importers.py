"""Private importers that crash, hang, print, fill the memory or change raw files, in a campaign with a good device."""

import hashlib
import json
import sys

import pytest
from click.testing import CliRunner

from anechain.audit.causes import _step_causes
from anechain.cli import commands
from anechain.data.store import read_dataset, read_receipt
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch

IMPORTER = """
import ctypes
import sys
import time

import numpy as np

from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError
from anechain.hooks import CERTAIN, NO, Description, Options, Reading, Verdict, hookimpl


@hookimpl
def anechain_describe():
    return Description("Hall files", "angles of halls", "1", Options)


@hookimpl
def anechain_identify(path):
    if path.suffix == ".hall" and path.read_text().startswith("crash at once"):
        ctypes.string_at(0)
    return Verdict(CERTAIN if path.suffix == ".hall" else NO, "its name")


@hookimpl
def anechain_read(paths, options):
    word = paths[0].read_text().strip()
    if word == "crash":
        ctypes.string_at(0)
    if word == "hang":
        time.sleep(1000)
    if word == "fill":
        np.ones(int(1e9))
    if word == "print":
        print("hello")
        print("world")
    if word.startswith("change"):
        paths[0].write_text("nothing")
    if word == "change and raise":
        raise InputError.single(paths[0].name, "no angle")
    frequency = np.geomspace(100, 10000, 30)
    level = 85 - 10 * np.log2(frequency / 100) ** 2 / 40
    return Reading(assemble_responses(
        [Curve("horizontal", a, frequency, level - abs(a) / 20, source=paths[0].name) for a in range(-170, 181, 10)], []
    ))
"""

CAMPAIGN = """\
anechain: 1
title: Halls
importers: [halls.py]
importing: {{longest_time: {seconds}, most_memory: 2.0}}
devices:
  aspen: {{title: Aspen, responses: {{files: [aspen.hall]}}}}
  beech: {{title: Beech, responses: {{files: [beech.hall]}}}}
"""


@pytest.fixture
def lab(tmp_path):
    """A function that runs the import of a device with a faulty file, and returns its problem and its report."""

    def run(word, seconds=100):
        (tmp_path / "halls.py").write_text(IMPORTER)
        (tmp_path / "campaign.yaml").write_text(CAMPAIGN.format(seconds=seconds))
        (tmp_path / "aspen.hall").write_text(word)
        (tmp_path / "beech.hall").write_text("good")
        plan = prepare(tmp_path / "campaign.yaml", trust_importers=True)
        run_batch(plan, "ingest", "0001")
        entries = json.loads(plan.manifest("ingest", "0001").read_text())["devices"]
        assert "outputs" in entries["beech"], "the good device is imported"
        report = ""
        if "outputs" in entries["aspen"]:
            report = read_dataset(plan.results / "aspen" / "responses.nc").attrs["import_report"]
        else:
            assert not (plan.results / "aspen").exists()
        return "\n".join(entries["aspen"].get("failed", [])), report

    return run


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize(
    ("word", "task"), [("crash", "reading aspen.hall"), ("crash at once", "identifying aspen.hall")], ids=str
)
def test_a_crash_names_importer_and_file(lab, word, task):
    problem, _ = lab(word)
    assert problem.startswith(f"aspen: importer halls, {task}: the process crashed (SIGSEGV)")


def test_a_hang_names_importer_and_file(lab):
    problem, _ = lab("hang", seconds=20)
    assert problem.startswith("aspen: importer halls, reading aspen.hall: not finished after 20 s")


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux limits the memory of a process")
def test_memory_beyond_the_limit_names_the_importer(lab):
    problem, _ = lab("fill")
    assert problem.startswith("aspen: importer halls needs more memory than there is")
    assert "importing.most_memory" in problem


def test_what_an_importer_prints_is_in_the_import_report(lab, capfd):
    problem, report = lab("print")
    assert not problem and "importer halls printed: hello\nimporter halls printed: world" in report
    assert "hello" not in capfd.readouterr().out


@pytest.mark.parametrize("word", ["change", "change and raise"])
def test_a_changed_raw_file_is_named(lab, word):
    problem, _ = lab(word)
    assert "aspen.hall: changed while importer halls read it" in problem
    assert ("no angle" in problem) == (word == "change and raise")


def test_the_check_survives_a_crash(lab, tmp_path):
    lab("crash")
    done = CliRunner().invoke(commands, ["check", str(tmp_path / "campaign.yaml"), "--trust-importers"])
    assert done.exit_code != 0 and "beech: responses from 1 file by halls" in done.stdout
    assert "crashed (SIGSEGV)" in done.stdout + done.stderr + str(done.exception)


def test_an_installed_importer_that_changes_under_its_version_is_run_again(lab, tmp_path):
    """Its receipt has the SHA-256 of its files; a private importer is an input by itself."""
    problem, _ = lab("good")
    assert not problem
    receipt = read_receipt(tmp_path / "results" / "aspen" / "responses.nc")
    (step,) = [step for step in receipt["steps"].values() if step["method"] == "ingest"]
    name, version, code = step["parameters"]["importers"]["responses"]
    assert (name, version) == ("halls", "1") and code == hashlib.sha256(IMPORTER.encode()).hexdigest()
    (tmp_path / "halls.py").write_text(IMPORTER.replace("85 - 10", "88 - 10"))
    changed = prepare(tmp_path / "campaign.yaml", trust_importers=True)
    assert changed.importer_versions["halls"][1] != code
    run_batch(changed, "ingest", "0001")
    lines = CliRunner().invoke(commands, ["trace", str(tmp_path / "results" / "aspen" / "responses.nc")]).stdout
    assert "halls" in lines
    after = read_receipt(tmp_path / "results" / "aspen" / "responses.nc")
    assert after["stamp"] != receipt["stamp"]
    (cause,) = [cause for cause in _step_causes(step, after["steps"][after["stamp"]], True) if "files" in cause.kind]
    assert cause.kind == "importer files" and cause.name == "halls" and cause.old == code[:12]
