"""README.md, DEVELOPERS.md and docs/: every block is run, or marked as not run with a reason; names in them exist."""

import hashlib
import json
import re
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import click
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

import receipt_artefacts as artefacts
from anechain.campaign.file import Campaign
from anechain.cli import commands
from anechain.importing.importers import find_importers
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.file_formats import format_of
from anechain.receipts.receipt import seal_of, seal_receipt
from document_blocks import PAGES, ROOT, Result, blocks, folder_of, matches, parse_markdown, run_page

DOCS = ROOT / "docs"
FIRST = DOCS / "guides" / "first-campaign.md"
IMPORTER = DOCS / "guides" / "importer.md"
RECEIPTS = DOCS / "reference" / "receipts.md"
ALL = [block for page in PAGES for block in blocks(page)]
RUN = [page for page in PAGES if any(block.kind == "run" for block in blocks(page))]
NAMES = [str(page.relative_to(ROOT)) for page in RUN]


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Runs a page once, in a folder of its own; the first guide with the workflow, the others in one process."""

    @cache
    def run(page: Path) -> Result:
        folder = tmp_path_factory.mktemp(page.stem, numbered=True)
        return run_page(page, folder, run, one_process=page != FIRST)

    return run


@pytest.mark.proof
@pytest.mark.parametrize("page", RUN, ids=NAMES)
def test_a_page_runs_and_prints_what_it_shows(page, finished):
    assert finished(page).printed


def test_every_block_is_marked():
    unmarked = [
        f"{block}: {block.language}"
        for block in ALL
        if block.language in ("sh", "python", "yaml", "bash", "console", "indented") and not block.kind
    ]
    assert not unmarked, "mark these blocks as tests/document_blocks.py says, or as not run with a reason"
    for block in ALL:
        assert block.kind != "not run" or len(block.name.split()) > 3, f"{block}: no reason"
        assert block.kind != "run" or block.language in ("sh", "python"), block


def test_no_mark_is_lost():
    """A mark counts only directly before a block."""
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for kind in ("file", "run", "prints", "part", "not run"):
            marked = sum(block.kind == kind for block in blocks(page))
            assert marked == len(re.findall(rf"^<!-- {kind}: ", text, re.MULTILINE)), f"{page}: {kind}"


def test_prints_compares_every_line():
    assert matches("a\n...\nd 1 ...\n", "a\nb\nc\nd 1 x\n") and matches("...\na\n", "a\n")
    assert not matches("a\nb\n", "a\n") and not matches("a\n", "a\nb\n") and not matches("a...c", "a b\n")


@pytest.mark.parametrize("block", [block for block in ALL if block.kind == "part"], ids=str)
def test_a_part_of_a_campaign_is_valid(block):
    content = yaml.safe_load(block.text)
    device = {"title": "Rowan", "responses": {"files": ["raw/*"]}}
    campaign = {"anechain": 1, "title": "Trial halls", "devices": {"rowan": device}}
    if block.name == "campaign":
        Campaign.model_validate({**campaign, **content})
        return
    if block.name == "device":
        Campaign.model_validate({**campaign, "devices": {"rowan": {**device, **content}}})
        return
    usable, _ = find_importers()
    options = usable[block.name.removeprefix("importer ")].description.options
    assert options.model_validate(content)


def commands_in(text):
    """Each `anechain COMMAND ...` of a text, up to the end of its line or code."""
    return re.findall(r"(?<![\w./-])anechain ([a-z][a-z-]*)([^`\n|;)]*)", text)


def test_commands_and_options_exist():
    shown = []
    for page in PAGES:
        tokens = parse_markdown(page)
        inline = [child for token in tokens for child in token.children or () if child.type == "code_inline"]
        fences = [token for token in tokens if token.type == "fence" and token.info.strip() in ("sh", "text")]
        for token in (*inline, *fences):
            shown += [(page, *command) for command in commands_in(token.content)]
    assert len({name for _, name, _ in shown}) > 10
    for page, name, rest in shown:
        command = commands.commands.get(name)
        assert command is not None, f"{page}: anechain {name}"
        known = {
            option for parameter in command.params for option in parameter.opts if isinstance(parameter, click.Option)
        }
        for option in re.findall(r"(?<!\S)--[a-z-]+", rest):
            assert option in known | {"--help"}, f"{page}: anechain {name} {option}"


def test_the_readme_shows_every_command():
    shown = {name for name, _ in commands_in((ROOT / "README.md").read_text(encoding="utf-8"))}
    assert shown == {name for name, command in commands.commands.items() if not command.hidden}


@pytest.mark.parametrize("page", [ROOT / "README.md", ROOT / "DEVELOPERS.md"], ids=lambda page: page.name)
def test_links_of_pages_outside_docs_lead_somewhere(page):
    """Sphinx checks those inside."""
    text = page.read_text(encoding="utf-8")
    headings = {
        re.sub(r"[^\w -]", "", title).lower().replace(" ", "-") for title in re.findall(r"^#+ (.*)$", text, re.M)
    }
    for link in re.findall(r"\]\(([^)]+)\)", text):
        path, _, anchor = link.partition("#")
        assert (page.parent / path).exists() if path else anchor in headings, link


def test_a_page_goes_on_in_a_folder_that_another_page_leaves():
    for page in PAGES:
        assert folder_of(page) in (None, FIRST)


# --- The receipts, by hand ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def by_hand(finished):
    """The functions of the page on receipts."""
    return finished(RECEIPTS).names["receipt"]


@pytest.fixture
def artefacts_of_each_format(tmp_path):
    for ending in artefacts.FORMATS:
        artefacts.write(tmp_path, ending)
    return sorted(path for path in tmp_path.iterdir() if path.is_file())


def check_by_hand(by_hand, path, data=None):
    """Check one file as the page does."""
    if path.suffix == ".nc":
        if data is not None:
            path.write_bytes(data)
        by_hand["check_receipt"](by_hand["check_netcdf"](path))
        return
    receipt, bare = by_hand["PARTS"][path.suffix](path.read_bytes() if data is None else data)
    by_hand["check_receipt"](receipt)
    assert receipt["content"] == hashlib.sha256(bare).hexdigest()


@pytest.mark.proof
def test_all_results_of_a_campaign_are_checked_by_hand(by_hand):
    endings = {path.suffix for path in by_hand["checked"]}
    assert endings >= {".csv", ".svg", ".html", ".json", ".nc"} and len(by_hand["checked"]) > 15


@pytest.mark.proof
def test_each_format_by_hand(by_hand, artefacts_of_each_format):
    for path in artefacts_of_each_format:
        check_by_hand(by_hand, path)


@pytest.mark.proof
def test_the_shell_prints_the_receipt_of_a_table(finished):
    result = finished(RECEIPTS)
    (printed,) = [printed for block, printed in result.printed if "curves.csv" in block.text]
    first, last = printed.splitlines()
    receipt = json.loads(format_of(data := (result.folder / "results/rowan/curves.csv").read_bytes()).split(data)[1])
    assert json.loads(first) == receipt and last == f"{receipt['content']}  -"


@pytest.mark.proof
@given(artefacts.VALUES)
def test_canonical_json_by_hand(by_hand, value):
    text = canonical_json(value)
    assert by_hand["canonical"](value) == text
    assert by_hand["canonical"](json.loads(text)) == text


@pytest.mark.proof
@given(st.floats(allow_nan=False, allow_infinity=False) | st.floats(1e-10, 1e-3))
def test_numbers_by_hand(by_hand, value):
    assert by_hand["canonical"](value) == canonical_json(value)


@pytest.mark.proof
@given(st.floats(allow_nan=False, allow_infinity=False) | st.floats(-1e22, 1e22).map(round).map(float))
def test_when_one_line_does_the_same_for_any_text(by_hand, value):
    small, whole = 1e-9 <= abs(value) < 1e-4, value == round(value) and abs(value) < 1e21
    assert (by_hand["plain"](value) == canonical_json(value)) == (not small and not whole)


@pytest.mark.proof
def test_checks_by_hand_find_an_edited_receipt(by_hand):
    receipt = json.loads(json.dumps(seal_receipt(artefacts.receipt(), "0" * 64)))
    by_hand["check_receipt"](receipt)
    step = receipt["steps"][receipt["stamp"]]
    step["software"]["numpy"] = "0"
    with pytest.raises(AssertionError):
        by_hand["check_receipt"](receipt)
    step["parameters"]["rear_wall"] = "nineteen"
    receipt["seal"] = seal_of(receipt)
    with pytest.raises(AssertionError, match="derive: altered"):
        by_hand["check_receipt"](receipt)


@pytest.mark.proof
def test_checks_by_hand_find_an_edited_file(by_hand, artefacts_of_each_format):
    for path in artefacts_of_each_format:
        data = bytearray(path.read_bytes())
        if path.suffix == ".csv":
            data[data.index(b",80") + 1] ^= 1
        elif path.suffix == ".html":
            data[data.rindex(b"80")] ^= 1
        elif path.suffix == ".nc":
            data[len(data) // 2] ^= 1
        else:
            continue
        with pytest.raises(AssertionError):
            check_by_hand(by_hand, path, bytes(data))


# --- The worked importer ------------------------------------------------------------------------------------------


@pytest.mark.proof
def test_the_worked_importer_passes_all_tests(finished):
    (printed,) = [printed for block, printed in finished(IMPORTER).printed if block.name == "bench log"]
    assert "skipped" not in printed and int(re.search(r"(\d+) passed", printed)[1]) >= 20


@pytest.mark.proof
def test_the_file_that_is_shown_is_one_that_the_tests_write(finished):
    shown = next(block.text for block in blocks(IMPORTER) if block.name == "raw/rowan H+000.blog")
    # The command of the page has written all of them since.
    assert (finished(IMPORTER).folder / "raw" / "rowan H+000.blog").read_text(encoding="utf-8") == shown


def test_the_worked_importer_has_less_than_a_hundred_lines():
    text = next(block.text for block in blocks(IMPORTER) if block.name == "bench_log.py")
    assert len(text.splitlines()) < 100


def test_python_blocks_keep_to_the_projects_style(tmp_path):
    for number, block in enumerate(ALL):
        if block.language == "python" and block.kind in ("file", "run"):
            (tmp_path / f"block_{number}.py").write_text(block.text, encoding="utf-8")
    # Blocks of one page use names of earlier blocks (F821).
    for command in (["check", "--select", "E,F,W,B,UP,SIM,RET,C4,PIE", "--ignore", "F821"], ["format", "--check"]):
        ruff = [sys.executable, "-m", "ruff", *command, "--isolated", "--line-length", "120", "--no-cache", "."]
        done = subprocess.run(ruff, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout


@pytest.mark.proof
def test_the_worked_importer_refuses_logs_of_two_setups(finished, tmp_path):
    bench = tmp_path / "bench"
    shutil.copytree(finished(IMPORTER).folder, bench)
    text = (bench / "raw" / "rowan H+000.blog").read_text(encoding="utf-8")
    other = bench / "raw" / "rowan V+000.blog"
    other.write_text(text.replace("H+000", "V+000").replace("2,83", "2,0"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "anechain", "check", bench / "campaign.yaml", "--trust-importers"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1 and "differ in distance or drive" in done.stderr and "V+000" in done.stderr
