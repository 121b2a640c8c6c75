"""Recomputed results: bytes, content, values within a tolerance, and what is not the same."""

import json
import shutil

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import receipt_artefacts as artefacts
from anechain.audit import recompute as recompute_module
from anechain.audit.output_comparison import OutputComparison, compare_outputs
from anechain.audit.recompute import Recomputation, recompute
from anechain.receipts.receipt import sha256_hex
from anechain.running.prepare import load_plan
from campaigns import campaign
from finished_campaigns import run_all


def pair(tmp_path, ending, bare_old, bare_new, given_new=None):
    """The same output twice; the second with another content or receipt."""
    for folder, bare, given_ in (("then", bare_old, None), ("now", bare_new, given_new)):
        (tmp_path / folder).mkdir(exist_ok=True)
        artefacts.write(tmp_path / folder, ending, given_, bare)
    return tmp_path / "then" / f"rowan.{ending}", tmp_path / "now" / f"rowan.{ending}", f"rowan.{ending}"


@pytest.mark.parametrize("ending", artefacts.FORMATS)
def test_the_same_bytes(tmp_path, ending):
    bare = None if ending == "nc" else artefacts.BARE[ending]
    assert compare_outputs(*pair(tmp_path, ending, bare, bare), 0).outcome == "same bytes"


@pytest.mark.parametrize("ending", artefacts.FORMATS)
def test_the_same_content_with_another_receipt(tmp_path, ending):
    bare = None if ending == "nc" else artefacts.BARE[ending]
    other = artefacts.receipt(smoothing=1 / 3)
    assert compare_outputs(*pair(tmp_path, ending, bare, bare, other), 0).outcome == "same content"


def shifted(step):
    dataset = artefacts.dataset()
    dataset["level"][0, 1] += step
    return dataset


@pytest.mark.parametrize(("step", "outcome"), [(5e-7, "same values"), (2e-6, "differs"), (np.nan, "differs")])
def test_a_dataset_within_and_beyond_the_tolerance(tmp_path, step, outcome):
    found = compare_outputs(*pair(tmp_path, "nc", artefacts.dataset(), shifted(step)), 1e-6)
    assert found.outcome == outcome
    assert "at level (source Föhre 😀, distance 2)" in found.detail
    told = float(found.detail.split("largest difference ")[1].split()[0])
    assert told == pytest.approx(np.inf if np.isnan(step) else step, rel=0.01)


def test_nothing_is_the_same_as_nothing(tmp_path):
    old, new = shifted(np.nan), shifted(np.nan)
    new["level"][0, 2] += 1e-9
    assert compare_outputs(*pair(tmp_path, "nc", old, new), 1e-6).outcome == "same values"


@pytest.mark.parametrize(
    ("change", "detail"),
    [
        (lambda d: d.assign_attrs(notes="gap"), "attribute.notes"),
        (lambda d: d.rename(level="pressure"), "level"),
        (lambda d: d.isel(distance=slice(2)), "the shape of"),
        (lambda d: d.assign_coords(source=("source", np.array(["rowan"], object))), "Föhre 😀 became rowan"),
        (lambda d: d.assign(level=d.level.assign_attrs(units="Pa")), "attribute of level.units: dB became Pa"),
    ],
)
def test_a_dataset_that_says_something_else(tmp_path, change, detail):
    found = compare_outputs(*pair(tmp_path, "nc", artefacts.dataset(), change(artefacts.dataset())), 1e-6)
    assert found.outcome == "differs" and detail in found.detail


@pytest.mark.parametrize(
    ("ending", "old", "new", "detail"),
    [
        ("csv", b"79.9", b"79.8", "largest difference"),
        ("csv", b"level_dB", b"level_Pa", "level_dB became level_Pa"),
        ("csv", b"1,80", b"1,80\n1.5,77", "number of lines"),
        ("json", b'"unit": "dB"', b'"unit": "Pa"', "level.unit: dB became Pa"),
        ("json", b'"gap": null', b'"gap": 5', "gap: nothing became 5"),
        ("vl.json", b'"line"', b'"area"', "mark: line became area"),
        ("vl.json", b'"y": 80.0', b'"y": 80.5', "largest difference 0.5 at data.values[1].y"),
        ("svg", b'width="9" height="9"/', b'width="8" height="9"/', "largest difference 1 at number"),
        ("html", b"80 dB", b"80 Pa", "dB became Pa"),
        ("html", b"80 dB", b"81 dB", "largest difference 1"),
        ("png", b"", b"", "the bytes are not the same"),
    ],
)
def test_what_differs_is_said(tmp_path, ending, old, new, detail):
    bare = artefacts.BARE[ending].replace(b"79.5880", b"79.9000").replace(b"73.9794", b"79.9000", 1)
    if ending == "csv":
        bare = b"distance_m,level_dB\n1,80\n2,79.9\n"
    changed = bare.replace(old, new, 1) if ending != "png" else artefacts.png()[:-12] + artefacts.png()[-12:]
    if ending == "png":
        # Another picture of the same size: the stored points are others.
        import struct
        import zlib

        rows = zlib.compress(b"\0\x01\x40\x80\xc0" + b"\0\xff\xc0\x80\x40")
        chunk = struct.pack(">I", len(rows)) + b"IDAT" + rows + struct.pack(">I", zlib.crc32(b"IDAT" + rows))
        start = bare.index(b"IDAT") - 4
        changed = bare[:start] + chunk + bare[bare.index(b"IEND") - 4 :]
    assert changed != bare
    found = compare_outputs(*pair(tmp_path, ending, bare, changed), 1e-6)
    assert found.outcome == "differs" and detail in found.detail, found


def test_one_unit_of_the_last_digit_passes_only_where_it_is_asked_for(tmp_path):
    one = pair(tmp_path, "csv", b"a,b\n1,79.95\n", b"a,b\n1,79.96\n")
    assert compare_outputs(*one, 1e-6).outcome == "differs"
    assert compare_outputs(*one, 1e-6, rounded=True).outcome == "same values"
    two = pair(tmp_path, "csv", b"a,b\n1,79.95\n", b"a,b\n1,79.97\n")
    assert compare_outputs(*two, 1e-6, rounded=True).outcome == "differs"


@given(st.floats(-200, 200), st.floats(-1e-3, 1e-3))
def test_the_outcome_follows_the_difference(old, step):
    import tempfile
    from pathlib import Path

    new = old + step
    with tempfile.TemporaryDirectory() as folder:
        bare = [json.dumps({"level": value}).encode() for value in (old, new)]
        found = compare_outputs(*pair(Path(folder), "json", *bare), 1e-6)
    assert found.same == (abs(new - old) <= 1e-6)


def test_what_did_not_come_out_or_is_new(tmp_path):
    then, now, name = pair(tmp_path, "csv", artefacts.BARE["csv"], artefacts.BARE["csv"])
    assert compare_outputs(then, tmp_path / "absent", name, 0).outcome == "not recomputed"
    assert compare_outputs(tmp_path / "absent", now, name, 0).outcome == "new"
    then.write_bytes(b"\x89HDF\r\n\x1a\n")
    assert compare_outputs(then, now, name, 0).outcome == "differs"


def test_the_lines():
    outputs = (
        OutputComparison("a.nc", "same bytes"),
        OutputComparison("b.nc", "same values", "within 1e-06"),
        OutputComparison("c.nc", "differs", "x"),
    )
    found = Recomputation(outputs, ("numpy was 1, is 2",), 1e-6)
    assert (
        not found.same and not Recomputation(outputs[2:], (), 1e-6).same and Recomputation(outputs[:2], (), 1e-6).same
    )
    assert found.lines() == [
        "same values     b.nc: within 1e-06",
        "differs         c.nc: x",
        "likely cause: numpy was 1, is 2",
        "3 outputs recomputed from the raw files: 1 same bytes, 1 same values within 1e-06, 1 differs",
    ]
    assert Recomputation(outputs[:1], (), 0).lines() == ["1 output recomputed from the raw files: 1 same bytes"]
    assert found.as_json()["outputs"][2] == {"file": "c.nc", "outcome": "differs", "detail": "x"}


@pytest.mark.proof
def test_recomputed_with_other_software_from_other_raw_files(tmp_path, monkeypatch):
    """The workflow runs within this process here; `anechain verify --recompute` is tried in test_verify.py.

    Raw values 0.3 dB up in one direction, another release of a library in the old receipts, no campaign file."""
    folder = tmp_path / "halls"
    file = campaign(folder)
    run_all(file)
    for name in ("rowan/responses.nc", "alder/responses.nc"):
        path = folder / "results" / name
        path.write_bytes(path.read_bytes().replace(b'"numpy":"2', b'"numpy":"1'))
    raw = folder / "raw" / "rowan" / "rowan horizontal +0.csv"
    rows = raw.read_text().splitlines()
    frequency, level = rows[17].split(",")
    raw.write_text("\n".join([*rows[:17], f"{frequency},{float(level) + 0.3:.3f}", *rows[18:]]) + "\n")
    file.rename(folder / "elsewhere.yaml")
    before = {path: sha256_hex(path.read_bytes()) for path in folder.rglob("*") if path.is_file()}
    monkeypatch.setattr(recompute_module, "make_results", lambda plan, file, **_: int(run_all(file) is None))
    found = recompute(folder / "results")
    assert not found.same
    document = found.as_json()
    outcome = {one["file"]: one for one in document["outputs"]}
    assert outcome["campaign.json"]["outcome"] == "same content"
    assert outcome["alder/curves.nc"]["outcome"] == outcome["alder/curves.csv"]["outcome"] == "same bytes"
    assert outcome["alder/responses.nc"]["outcome"] == "same content"
    told = outcome["rowan/responses.nc"]
    assert told["outcome"] == "differs"
    assert "largest difference 0.3 at level (plane horizontal, angle 0, frequency 1000)" in told["detail"]
    causes = " ".join(document["likely_causes"])
    assert "raw/rowan/rowan horizontal +0.csv" in causes and "numpy was 1" in causes
    assert {path: sha256_hex(path.read_bytes()) for path in folder.rglob("*") if path.is_file()} == before


def test_the_campaign_of_the_results_is_the_campaign(tmp_path):
    """As JSON, in which it is laid out where its file is gone, it is read back the same, in the order of its author."""
    file = campaign(tmp_path, extra="about: 'Two halls: ä, €, \"quoted\"'\n")
    first = load_plan(file).campaign
    file.write_text(json.dumps(first.model_dump(mode="json", exclude_none=True)))
    again = load_plan(file).campaign
    assert again == first and list(again.devices) == ["rowan", "alder"]
    shutil.rmtree(tmp_path)
