"""Everything a lab can get wrong in its raw files: said in words, nothing half-written, raw data untouched."""

import os
import resource
import subprocess
import sys

import pytest

from anechain.registry.stages import DEVICE_STAGES
from anechain.running.manifests import entry_of
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch
from campaigns import anechain, campaign, snapshot

CHOSEN = "rowan vertical -60.csv"


@pytest.fixture
def lab(tmp_path):
    return campaign(tmp_path, devices=(("rowan", 1.0), ("alder", 0.6)))


def ingested(file):
    """Run the import of both devices; what the manifest says of rowan, and that alder was imported all the same."""
    raw = snapshot(file.parent / "raw")
    plan = prepare(file)
    run_batch(plan, "ingest", "0001")
    assert snapshot(file.parent / "raw") == raw, "raw files were touched"
    assert "outputs" in entry_of(plan, "ingest", "alder")
    assert not list(plan.results.rglob("*.part"))
    entry = entry_of(plan, "ingest", "rowan")
    if "failed" in entry:
        assert not (plan.results / "rowan").exists(), "half-written output"
        text = "\n".join(entry["failed"])
        assert "Traceback" not in text and "bug in Anechain" not in text
        return text
    return entry


def rewritten(file, change, name=CHOSEN, encoding="utf-8"):
    path = file.parent / "raw" / "rowan" / name
    path.write_text(change(path.read_text()), encoding=encoding)
    return path


def on_row(number, change):
    def apply(text):
        lines = text.splitlines()
        lines[number] = change(*lines[number].split(","))
        return "\n".join(lines) + "\n"

    return apply


def test_good_files_are_imported(lab):
    assert set(ingested(lab)["outputs"]) == {"rowan/responses.nc", "rowan/checks.json"}


def test_an_empty_file(lab):
    (lab.parent / "raw" / "rowan" / CHOSEN).write_bytes(b"")
    said = ingested(lab)
    assert CHOSEN in said and "is empty" in said


def test_binary_junk(lab):
    (lab.parent / "raw" / "rowan" / CHOSEN).write_bytes(bytes(range(256)) * 40)
    said = ingested(lab)
    assert CHOSEN in said and "no importer knows this file" in said
    assert "delimited: 0.0 (" in said and "sofa: 0.0 (" in said  # each one's verdict, with its reason


def test_several_bad_files_are_all_named(lab):
    others = ["rowan horizontal +10.csv", "rowan horizontal -170.csv"]
    for name in (CHOSEN, *others):
        rewritten(lab, on_row(5, lambda f, level: f"{f},loud"), name)
    said = ingested(lab)
    assert all(name in said for name in (CHOSEN, *others)) and "loud" in said


def test_a_missing_angle_is_a_named_gap_and_nothing_else_suffers(lab):
    (lab.parent / "raw" / "rowan" / CHOSEN).unlink()
    assert "outputs" in ingested(lab)
    plan = prepare(lab, clean=False)
    run_batch(plan, "derive", "0001")
    from anechain.data.store import read_dataset

    curves = read_dataset(plan.results / "rowan" / "curves.nc")
    assert "sound_power" not in curves["curve"].values and "listening_window" in curves["curve"].values
    assert "needs vertical -60°" in curves.attrs["gaps"]


def test_a_duplicate_angle(lab):
    folder = lab.parent / "raw" / "rowan"
    (folder / "rowan vertical 300.csv").write_bytes((folder / CHOSEN).read_bytes())
    said = ingested(lab)
    assert "vertical -60° is given twice" in said and "rowan vertical 300.csv" in said and CHOSEN in said


def test_two_frequency_grids(lab):
    rewritten(lab, lambda text: "\n".join(text.splitlines()[:-3]) + "\n")
    said = ingested(lab)
    assert CHOSEN in said and "the same frequencies for all" in said and "resampl" in said


@pytest.mark.parametrize("written", ["nan", "NaN", "inf", ""])
def test_a_value_that_is_none(lab, written):
    rewritten(lab, on_row(7, lambda f, level: f"{f},{written}"))
    said = ingested(lab)
    assert CHOSEN in said and "line 8" in said


def test_a_decimal_comma_with_comma_separator(lab):
    rewritten(lab, lambda text: "frequency,level\n" + text.split("\n", 1)[1].replace(".", ","))
    said = ingested(lab)
    assert CHOSEN in said and "perhaps it has decimal commas" in said


def test_a_swapped_column(lab):
    def swap(text):
        rows = [line.split(",") for line in text.splitlines()[1:]]
        return "".join(f"{level},{f}\n" for f, level in rows)

    rewritten(lab, swap)
    said = ingested(lab)
    assert CHOSEN in said and "swapped" in said


def test_a_level_of_5000_decibels(lab):
    rewritten(lab, on_row(9, lambda f, level: f"{f},5000"))
    said = ingested(lab)
    assert "level is 5006.02 at vertical -60° 250 Hz" in said and "at most 200 dB" in said


def test_a_file_that_cannot_be_read(lab):
    path = lab.parent / "raw" / "rowan" / CHOSEN
    path.unlink()
    path.symlink_to(lab.parent / "gone.csv")
    plan = prepare(lab)
    run_batch(plan, "ingest", "0001")
    (said,) = entry_of(plan, "ingest", "rowan")["failed"]
    assert CHOSEN in said and "cannot be read" in said


def test_a_pattern_that_matches_nothing(lab):
    lab.write_text(lab.read_text().replace("raw/rowan/*.csv", "raw/rowan/*.txt"))
    assert "raw/rowan/*.txt: matches no file" in ingested(lab)


def test_poles_that_disagree(lab):
    rewritten(lab, lambda text: text, "rowan horizontal +0.csv")
    for row in range(1, 34):
        rewritten(lab, on_row(row, lambda f, level: f"{f},{float(level) + 3:.3f}"), "rowan horizontal +0.csv")
    assert "0° differs between the planes by 3.00 dB" in ingested(lab)


@pytest.mark.parametrize("identifier", ["../rowan", "a/b", "a\\\\b", "..", "tab\\there", "CON", "rowan ", ""])
def test_a_device_id_that_is_no_folder_name(lab, identifier):
    lab.write_text(lab.read_text().replace("  rowan:\n", f'  "{identifier}":\n'))
    done = anechain("run", lab, check=False)
    assert done.returncode == 1 and "is not safe as a folder name" in done.stderr
    assert sorted(path.name for path in lab.parent.iterdir()) == ["campaign.yaml", "raw"]


def test_a_typo_in_the_campaign(lab):
    lab.write_text(lab.read_text().replace("distance: 2,", "distanse: 2,", 1))
    done = anechain("run", lab, check=False)
    assert done.returncode == 1
    assert "devices.rowan.setup.distanse: unknown key" in done.stderr and "did you mean distance?" in done.stderr
    assert not (lab.parent / "results").exists()


def test_a_results_folder_that_cannot_be_written(lab):
    (lab.parent / "results").write_text("in the way")
    done = anechain("run", lab, check=False)
    assert done.returncode == 1 and "results: cannot be written" in done.stderr


@pytest.mark.parametrize("stage", ["ingest", "derive", "draw"])
def test_a_full_disk(lab, stage):
    """A limit on the size of files stands for the full disk: writing fails in the middle of an output."""
    plan = prepare(lab)
    for earlier in DEVICE_STAGES:
        if earlier == stage:
            break
        run_batch(plan, earlier, "0001")
    before = snapshot(plan.results)

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (6000, 6000))

    done = subprocess.run(
        [sys.executable, "-m", "anechain", "stage", stage, "0001"],
        cwd=lab.parent,
        preexec_fn=limit,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert "Traceback" not in done.stderr
    entry = entry_of(plan, stage, "rowan")
    assert "failed" in entry and "bug in Anechain" not in str(entry)
    assert {name: content for name, content in snapshot(plan.results).items() if ".chain" not in name} == {
        name: content for name, content in before.items() if ".chain" not in name
    }
    assert not list(plan.results.rglob("*.part"))
    run_batch(plan, stage, "0001")
    assert "outputs" in entry_of(plan, stage, "rowan")
