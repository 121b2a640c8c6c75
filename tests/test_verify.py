"""Verifying: every way in which a file can have stopped being what it was, found and told; and nothing else told."""

import json
import shutil

import pytest

from anechain.audit.verification import FileStatus
from anechain.audit.verify import results_folder_of, verify, verify_folder
from anechain.data import store
from anechain.data.store import check_receipt, write_artefact
from anechain.errors import InputError
from anechain.receipts.file_formats import format_of
from anechain.receipts.receipt import Input, make_receipt, sha256_hex
from anechain.running.lock import only_run
from anechain.running.manifests import manifest_text, read_manifest
from campaigns import anechain, campaign
from finished_campaigns import run_all


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("finished")
    run_all(campaign(folder, formats="[svg]"))
    return folder


@pytest.fixture
def copy(finished, tmp_path):
    shutil.copytree(finished, tmp_path / "copy")
    return tmp_path / "copy"


def told(path):
    """State and causes of each file that is not intact."""
    return {one.file: (one.state, "; ".join(one.problems)) for one in verify(path).not_intact}


RAW = "raw/rowan/rowan horizontal +30.csv"
CURVES = "results/rowan/curves.nc"
SVG, OTHER = "results/figures/rowan-curves.svg", "results/figures/alder-curves.svg"


def test_all_is_intact_and_everything_was_looked_at(finished):
    found = verify_folder(finished)
    assert found.not_intact == () and found.notes == ()
    there = {path.relative_to(finished).as_posix() for path in finished.rglob("*") if path.is_file()}
    assert {one.file for one in found.files} == there
    assert found.counts == {"intact": len(there), "altered": 0, "missing": 0, "untracked": 0}
    assert found.lines() == [f"{len(there)} files: {len(there)} intact"]


@pytest.mark.parametrize("name", [".", "campaign.yaml", "results", SVG, CURVES, RAW, "results/.chain/derive/0001.json"])
def test_each_way_to_name_it(finished, name):
    found = verify(finished / name)
    assert found.not_intact == ()
    assert results_folder_of(finished / name) == finished / "results"
    if (finished / name).is_file() and name != "campaign.yaml":
        assert name in {one.file for one in found.files}


def test_a_single_output_is_looked_at_with_all_it_was_made_from(finished):
    files = {one.file for one in verify(finished / SVG).files}
    assert {SVG, CURVES, "results/rowan/responses.nc", RAW} <= files
    assert len(files) == 3 + 72 and not any("alder" in name for name in files)


# Altered.


def flipped(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def replaced(path, old, new):
    data = path.read_bytes()
    assert old in data
    path.write_bytes(data.replace(old, new, 1))


@pytest.mark.parametrize(
    ("name", "change", "cause"),
    [
        (
            "results/rowan/curves.csv",
            lambda p: replaced(p, b"\n125,", b"\n126,"),
            "the content does not match the receipt",
        ),
        (SVG, lambda p: replaced(p, b"</svg>", b"<text>mine</text></svg>"), "the content does not match the receipt"),
        (SVG, lambda p: replaced(p, b'"smoothing":20', b'"smoothing":24'), "the receipt was altered"),
        (SVG, lambda p: replaced(p, b'<metadata id="receipt">', b'<metadata id="taken">'), "carries no receipt"),
        (SVG, lambda p: replaced(p, b"{&quot;" if b"{&quot;" in p.read_bytes() else b'{"', b' {"'), "other software"),
        ("results/report/index.html", lambda p: p.write_bytes(b""), "no receipt"),
        ("results/campaign.json", lambda p: replaced(p, b"Trial halls", b"Trial walls"), "the content does not match"),
        (
            "results/workflow/Snakefile",
            lambda p: p.write_text("rule all: input: []\n"),
            "not the file that the run made",
        ),
        ("results/.chain/derive/0001.json", flipped, "incomplete or altered"),
        ("results/.chain/compare/all.json", lambda p: p.write_text("{"), "incomplete or altered"),
        (
            RAW,
            lambda p: replaced(p, b"\n125", b"\n126"),
            "not the file named by the receipt of results/rowan/checks.json",
        ),
        ("campaign.yaml", lambda p: p.write_text(p.read_text() + "# later\n"), "receipt of results/campaign.json"),
    ],
)
def test_an_altered_file_is_told_once_and_what_of_it(copy, name, change, cause):
    change(copy / name)
    found = told(copy)
    assert list(found) == [name]
    state, said = found[name]
    assert state == "altered" and cause in said


def test_a_dataset_written_again_by_other_software(copy):
    """The netCDF library adds something and takes it away again, so that it says what it said."""
    import netCDF4

    with netCDF4.Dataset(copy / CURVES, "a") as file:
        file.setncattr("history", "opened")
    with netCDF4.Dataset(copy / CURVES, "a") as file:
        file.delncattr("history")
    found = told(copy)
    assert list(found) == [CURVES] and found[CURVES][0] == "altered"
    assert "rewritten by other software" in found[CURVES][1]


def test_a_damaged_dataset(copy):
    with (copy / CURVES).open("r+b") as file:
        file.truncate(5000)
    assert told(copy)[CURVES][0] == "altered" and "damaged" in told(copy)[CURVES][1]


def swap(one, other):
    first, second = one.read_bytes(), other.read_bytes()
    assert first != second
    one.write_bytes(second)
    other.write_bytes(first)


@pytest.mark.parametrize(
    ("one", "other"),
    [(SVG, OTHER), (CURVES, "results/alder/curves.nc"), (RAW, "raw/rowan/rowan horizontal +60.csv")],
)
def test_two_files_that_were_swapped_name_each_other(copy, one, other):
    swap(copy / one, copy / other)
    found = told(copy)
    assert found[one] == ("altered", f"its content is that of {other}")
    assert found[other][1].startswith("its content is that of ")
    assert set(found) == {one, other}


def parts(path):
    """Content and receipt text of an output that is not netCDF."""
    data = path.read_bytes()
    return format_of(data, path.name).split(data)


def test_two_receipts_that_were_swapped(copy):
    (bare, text), (other_bare, other_text) = parts(copy / SVG), parts(copy / OTHER)
    form = format_of(bare, "x.svg")
    (copy / SVG).write_bytes(form.embed(bare, other_text))
    (copy / OTHER).write_bytes(form.embed(other_bare, text))
    found = told(copy)
    assert set(found) == {SVG, OTHER}
    assert "the content does not match the receipt" in found[SVG][1]
    assert "made from results/alder/curves.nc" in found[SVG][1]
    assert "made from results/rowan/curves.nc" in found[OTHER][1]


# Forged: receipt, manifest and all hashes computed anew, so that only what they name gives it away.


def forged(copy, name, receipt, stage="draw", batch="0001", device="rowan", bare=None):
    """Put a receipt on an output and enter both into the manifest, properly sealed."""
    path = copy / "results" / name
    bare = parts(path)[0] if bare is None else bare
    write_artefact(path, bare, {key: receipt[key] for key in ("receipt", "stamp", "steps")})
    record = copy / "results" / ".chain" / stage / f"{batch}.json"
    manifest = read_manifest(record)
    manifest["devices"][device]["outputs"][name] = sha256_hex(path.read_bytes())
    record.write_bytes(manifest_text(stage, batch, manifest["devices"], manifest["made_from"]))
    assert check_receipt(path).wrong == ()
    # What was made from the forged files is not what this is about.
    return {name: cause for name, cause in told(copy).items() if "report" not in name}


def test_the_receipt_of_another_device(copy):
    found = forged(copy, "figures/rowan-curves.svg", store.read_receipt(copy / OTHER))
    assert found == {SVG: ("untracked", f"it was made from results/alder/curves.nc, not from {CURVES}")}


def test_the_receipt_of_another_figure(copy):
    found = forged(
        copy, "figures/rowan-curves.svg", store.read_receipt(copy / "results/figures/rowan-map-horizontal.svg")
    )
    assert found == {SVG: ("untracked", "its receipt belongs to the figure map-horizontal")}


def test_a_receipt_from_another_campaign(copy):
    curves = store.read_receipt(copy / CURVES)
    other = make_receipt("figure", 1, {"figure": "curves", "formats": ["svg"]}, [Input("curves.nc", "5" * 64, curves)])
    found = forged(copy, "figures/rowan-curves.svg", other)
    assert found == {SVG: ("untracked", "it was made from another version of results/rowan/curves.nc")}


def test_another_origin_of_the_same_input(copy):
    receipt = store.read_receipt(copy / SVG)
    step = receipt["steps"][receipt["stamp"]]
    (role,) = step["made_by"]
    invented = make_receipt("derive", 1, {"smoothing": 1}, [])
    del receipt["steps"][receipt["stamp"]]
    receipt["steps"] = {
        receipt["stamp"]: {**step, "made_by": {role: invented["stamp"]}},
        **invented["steps"],
    }
    found = forged(copy, "figures/rowan-curves.svg", receipt)
    assert found == {SVG: ("untracked", f"its receipt and that of {CURVES} name different steps that made the latter")}


# Missing.


def test_what_is_missing_is_named_with_what_names_it(copy):
    (copy / SVG).unlink()
    (copy / RAW).unlink()
    (copy / "results/.chain/report/all.json").unlink()
    found = told(copy)
    assert found[SVG] == ("missing", "named by results/.chain/draw/0001.json")
    assert found[RAW][0] == "missing" and "receipt of results/rowan/checks.json" in found[RAW][1]
    assert found["results/.chain/report/all.json"][0] == "missing"
    assert len(found) == 3


def test_a_device_folder_that_is_gone(copy):
    shutil.rmtree(copy / "results" / "alder")
    found = told(copy)
    datasets = ("responses", "curves", "directivity", "aim", "trends")
    made = ("checks.json", "curves.csv", "numbers.json", *(f"{name}.nc" for name in datasets))
    assert set(found) == {f"results/alder/{name}" for name in made}
    assert {state for state, _ in found.values()} == {"missing"}


def test_raw_files_of_a_whole_folder_share_a_line(copy):
    shutil.rmtree(copy / "raw" / "alder")
    found = verify(copy)
    assert found.counts["missing"] == 72
    assert [line for line in found.lines() if "raw/alder/: 72 files" in line]
    assert len(found.lines()) == 2 and len(found.as_json()["files"]) == len(found.files)


def test_results_alone_are_verified_and_it_is_said_what_is_not_at_hand(copy, tmp_path):
    shutil.copytree(copy / "results", tmp_path / "published")
    found = verify(tmp_path / "published")
    assert found.not_intact == ()
    (note,) = found.notes
    assert note.startswith("raw files are not available")
    flipped(tmp_path / "published" / "figures" / "rowan-curves.svg")
    assert list(told(tmp_path / "published")) == ["published/figures/rowan-curves.svg"]


def test_an_output_alone(copy, tmp_path):
    alone = tmp_path / "alone.svg"
    shutil.copyfile(copy / SVG, alone)
    found = verify(alone)
    assert found.not_intact == () and "72 raw files" in found.notes[0] and "not" in found.notes[0]
    flipped(alone)
    assert verify(alone).counts["altered"] == 1


def test_without_the_campaign_the_rest_is_still_verified(copy):
    (copy / "results" / "campaign.json").unlink()
    flipped(copy / SVG)
    found = told(copy)
    assert found["results/campaign.json"][0] == "missing" and found[SVG][0] == "altered" and len(found) == 2


def test_without_a_record_files_are_judged_by_their_receipts(copy):
    (copy / "results/.chain/derive/0001.json").unlink()
    replaced(copy / "results/rowan/curves.csv", b"\n125,", b"\n126,")
    found = told(copy)
    assert set(found) == {"results/.chain/derive/0001.json", "results/rowan/curves.csv"}
    assert "derive of alder, rowan" in found["results/.chain/derive/0001.json"][1]


# Untracked.


def test_what_nobody_made(copy):
    results = copy / "results"
    (results / "notes.txt").write_text("ring the caretaker")
    shutil.copyfile(copy / SVG, results / "figures" / "new.svg")
    (results / "rowan" / ".0123456789abcdef.part").write_text("half")
    (results / ".chain" / "derive" / "0009.json").write_bytes((results / ".chain/derive/0001.json").read_bytes())
    (copy / "raw" / "rowan" / "rowan horizontal +35.csv").write_text("frequency,level\n1000,80\n")
    found = told(copy)
    assert {state for state, _ in found.values()} == {"untracked"}
    causes = {name.rpartition("/")[2]: cause for name, (_, cause) in found.items()}
    assert "no job of this campaign made it" in causes["notes.txt"]
    assert causes["new.svg"] == f"copy of {SVG}"
    assert "incomplete file" in causes[".0123456789abcdef.part"]
    assert "does not have" in causes["0009.json"]
    assert "no result was made from it" in causes["rowan horizontal +35.csv"]
    assert len(found) == 5


def test_what_is_left_of_a_device_that_was_taken_out(copy):
    file = copy / "campaign.yaml"
    text = file.read_text()
    file.write_text(text[: text.index("  alder:")])
    run_all(file)
    found = told(copy)
    assert found and all("alder" in name or "comparison" in name for name in found)
    assert {state for state, _ in found.values()} == {"untracked"}
    assert "from an earlier state" in found["results/alder/curves.nc"][1]


def test_failed_devices_are_noted_and_no_fault_of_the_files(tmp_path):
    file = campaign(tmp_path)
    (tmp_path / "raw" / "alder" / "alder vertical -60.csv").write_text("not a table\n")
    with pytest.raises(InputError):
        run_all(file, keep_going=True)
    found = verify(tmp_path)
    assert [one for one in found.not_intact if "crate" not in one.file] == []
    assert any(note.startswith("alder failed at ingest") for note in found.notes)


def test_a_run_at_work_is_noted(copy):
    with only_run(copy / "results"):
        assert any("is in progress" in note for note in verify(copy).notes)
    assert verify(copy).notes == ()


# The command.


def test_the_command(copy):
    assert anechain("verify", copy).stdout.endswith(" intact\n")
    flipped(copy / SVG)
    done = anechain("verify", copy / "campaign.yaml", check=False)
    assert done.returncode == 1 and done.stderr == ""
    line, summary = done.stdout.splitlines()
    assert line.startswith(f"altered    {SVG}: ") and summary.endswith(" intact, 1 altered")
    document = json.loads(anechain("verify", copy, "--json", check=False).stdout)
    assert document["counts"]["altered"] == 1
    assert [one["file"] for one in document["files"] if one["state"] != "intact"] == [SVG]
    assert "intact" in anechain("verify", copy, "--verbose", check=False).stdout.splitlines()[0]


@pytest.mark.parametrize("name", ["absent.svg", "empty", "empty/campaign.yaml"])
def test_nothing_to_verify_is_a_usage_error(tmp_path, name):
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "campaign.yaml").write_text("anechain: 1\n")
    done = anechain("verify", tmp_path / name, check=False)
    assert done.returncode == 2 and done.stderr


def test_signs_that_would_act_on_a_terminal_are_escaped():
    assert str(FileStatus("results/\x1b[2J", "untracked", ("a\nb",))) == r"untracked  results/\u001b[2J: a\nb"


@pytest.mark.proof
def test_recompute_ends_in_the_same_bytes_and_touches_nothing(tmp_path):
    copy = tmp_path / "halls"
    run_all(campaign(copy, devices=(("rowan", 1.0),)))
    before = {path: path.stat().st_mtime_ns for path in copy.rglob("*")}
    done = anechain("verify", copy, "--recompute")
    assert done.stdout.splitlines()[-1].endswith("same bytes") and "differs" not in done.stdout
    assert {path: path.stat().st_mtime_ns for path in copy.rglob("*")} == before
