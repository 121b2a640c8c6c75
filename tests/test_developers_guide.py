"""The marked blocks of DEVELOPERS.md are run: those that check a receipt by hand, and the worked importer."""

import hashlib
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import receipt_artefacts as artefacts
from anechain.receipts.canonical_json import canonical
from anechain.receipts.file_formats import format_of
from anechain.receipts.receipt import bound, seal_of

GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"
BLOCK = re.compile(r"^<!-- (run|file|prints): ([^\n]+) -->\n```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def marked(kind):
    """Blocks marked as one kind: name, language and text."""
    found = BLOCK.findall(GUIDE.read_text(encoding="utf-8"))
    return [(name, language, text) for marker, name, language, text in found if marker == kind]


def blocks():
    """Blocks that check a receipt: language and text."""
    return [(language, text) for name, language, text in marked("run") if name == "receipt"]


@pytest.fixture
def campaign(tmp_path):
    (tmp_path / "results" / "rowan").mkdir(parents=True)
    for ending in artefacts.FORMATS:
        artefacts.write(tmp_path / "results" / "rowan", ending)
    (tmp_path / "results" / "rowan" / "rowan.csv").rename(tmp_path / "results" / "rowan" / "curves.csv")
    return tmp_path


def run_python(monkeypatch, folder):
    monkeypatch.chdir(folder)
    space = {}
    for language, code in blocks():
        if language == "python":
            exec(compile(code, str(GUIDE), "exec"), space)
    return space


def test_every_marked_block_is_of_a_kind_that_is_run():
    kinds = [language for language, _ in blocks()]
    assert kinds.count("python") >= 6 and kinds.count("sh") >= 2 and set(kinds) == {"python", "sh"}
    guide = GUIDE.read_text(encoding="utf-8")
    assert {name for name, *_ in marked("run")} == {"receipt", "bench log"}
    for kind in ("run", "file", "prints"):
        assert len(marked(kind)) == guide.count(f"<!-- {kind}:") > 0


def test_the_hand_made_checks_hold_for_what_the_product_writes(campaign, monkeypatch, capsys):
    space = run_python(monkeypatch, campaign)
    assert len(space["checked"]) == len(artefacts.FORMATS)
    assert capsys.readouterr().out == f"{len(artefacts.FORMATS)} files checked\n"


def test_the_shell_commands_print_what_the_guide_says(campaign):
    guide = GUIDE.read_text(encoding="utf-8")
    data = (campaign / "results" / "rowan" / "curves.csv").read_bytes()
    receipt = json.loads(format_of(data).split(data)[1])
    for language, code in blocks():
        if language != "sh":
            continue
        done = subprocess.run(["sh", "-e", "-c", code], cwd=campaign, capture_output=True, text=True, check=True)
        *printed, last = done.stdout.splitlines()
        assert done.stderr == "" and printed
        if "curves.csv" in code:
            assert json.loads(printed[0]) == receipt and last == f"{receipt['content']}  -"
        else:
            assert all(f"    {line}\n" in guide for line in (*printed, last))


@pytest.fixture(scope="module")
def by_hand():
    """The guide's functions; only its last block reads files, and in an empty folder there are none."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        yield run_python(patch, Path(folder))


@given(artefacts.VALUES)
def test_canonical_json_by_hand(by_hand, value):
    text = canonical(value)
    assert by_hand["canonical"](value) == text
    assert by_hand["canonical"](json.loads(text)) == text


@given(st.floats(allow_nan=False, allow_infinity=False) | st.floats(1e-10, 1e-3))
def test_numbers_by_hand(by_hand, value):
    assert by_hand["canonical"](value) == canonical(value)


@given(st.floats(allow_nan=False, allow_infinity=False) | st.floats(-1e22, 1e22).map(round).map(float))
def test_when_one_line_does_the_same_for_any_text(by_hand, value):
    small, whole = 1e-9 <= abs(value) < 1e-4, value == round(value) and abs(value) < 1e21
    assert (by_hand["plain"](value) == canonical(value)) == (not small and not whole)


def test_the_hand_made_checks_see_an_edited_receipt(campaign, monkeypatch):
    space = run_python(monkeypatch, campaign)
    receipt = json.loads(json.dumps(bound(artefacts.receipt(), "0" * 64)))
    space["check_receipt"](receipt)
    step = receipt["steps"][receipt["stamp"]]
    step["software"]["numpy"] = "0"
    with pytest.raises(AssertionError):
        space["check_receipt"](receipt)
    step["parameters"]["rear_wall"] = "nineteen"
    receipt["seal"] = seal_of(receipt)
    with pytest.raises(AssertionError, match="derive: altered"):
        space["check_receipt"](receipt)


def test_the_hand_made_checks_see_an_edited_file(campaign, monkeypatch):
    space = run_python(monkeypatch, campaign)
    for path in space["checked"]:
        data = bytearray(path.read_bytes())
        at = (
            data.index(b",80") + 1
            if path.suffix == ".csv"
            else data.rindex(b"80")
            if path.suffix == ".html"
            else len(data) // 2
            if path.suffix == ".nc"
            else None
        )
        if at is None:
            continue
        data[at] ^= 1
        path.write_bytes(data)
        with pytest.raises(AssertionError):
            if path.suffix == ".nc":
                space["check_netcdf"](path)
            else:
                receipt, bare = space["PARTS"][path.suffix](bytes(data))
                assert receipt["content"] == hashlib.sha256(bare).hexdigest()


@pytest.fixture
def bench(tmp_path):
    """A folder with all files that the worked example names."""
    for name, _, text in marked("file"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_worked_importer_is_tested_checked_and_prints_what_the_guide_says(bench):
    shown = (bench / "raw" / "rowan H+000.blog").read_bytes()
    (commands,) = [text for name, _, text in marked("run") if name == "bench log"]
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    done = subprocess.run(["sh", "-e", "-c", commands], cwd=bench, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    tested, printed = done.stdout.split(" passed", 1)
    assert "skipped" not in printed and int(tested.split()[-1]) >= 20
    (told,) = [text for _, _, text in marked("prints")]
    # What the checks of the raw data find is theirs to say.
    lines = [line for line in printed.splitlines()[1:] if not line.startswith("    responses: check ")]
    assert lines == told.splitlines()
    # The log that is shown is one that the tests write.
    assert (bench / "raw" / "rowan H+000.blog").read_bytes() == shown


def test_the_worked_importer_has_less_than_a_hundred_lines():
    text = next(text for name, _, text in marked("file") if name == "bench_log.py")
    assert len(text.splitlines()) < 100


def test_the_worked_example_keeps_to_the_projects_style(bench):
    for command in (["check", "--select", "E,F,W,I,B,UP,SIM,RET,C4,PIE"], ["format", "--check"]):
        ruff = [sys.executable, "-m", "ruff", *command, "--isolated", "--line-length", "120", "--no-cache"]
        done = subprocess.run([*ruff, "bench_log.py", "test_bench_log.py"], cwd=bench, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout


def test_the_worked_importer_refuses_logs_of_two_set_ups(bench):
    other = bench / "raw" / "rowan V+000.blog"
    text = (bench / "raw" / "rowan H+000.blog").read_text(encoding="utf-8")
    other.write_text(text.replace("H+000", "V+000").replace("2,83", "2,0"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "anechain", "check", bench / "campaign.yaml", "--trust-importers"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1 and "differ in distance or drive" in done.stderr and "V+000" in done.stderr
