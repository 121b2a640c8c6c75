"""The plan of a run: batches, what a job depends on, and what an interrupted or altered run leaves to be done again."""

import dataclasses
import hashlib
import json
import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.campaign.file import Campaign
from anechain.campaign.load import load_campaign
from anechain.data.store import sha256_file, write_artefact
from anechain.errors import InputError
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import Input, make_receipt
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.dependencies import dependencies, made_from
from anechain.running.manifests import entry_of, manifest_text, read_manifest
from anechain.running.plan import Plan
from anechain.running.prepare import open_plan, prepare
from anechain.running.raw_files import resolve_files

MOST_JOBS = 50


def campaign_of(count, **more):
    devices = {f"alder-{n}": {"title": f"Alder {n}", "responses": {"files": [f"{n}.txt"]}} for n in range(count)}
    return Campaign.model_validate({"anechain": 1, "title": "Halls", "devices": devices, **more})


@pytest.fixture
def file(tmp_path):
    """Two devices, in batches of one, with raw files."""
    raw = tmp_path / "raw"
    raw.mkdir()
    for name in ("alder 0.txt", "alder 90.txt", "birch 0.txt", "birch.csv"):
        (raw / name).write_text(f"1000 84 {name}\n")
    path = tmp_path / "campaign.yaml"
    path.write_text(
        "anechain: 1\ntitle: Halls\nbatch_size: 1\ndevices:\n"
        "  alder: {title: Alder, responses: {files: ['raw/alder *.txt']}}\n"
        "  birch: {title: Birch, responses: "
        "{files: [raw/birch 0.txt], options: {manifest: raw/birch.csv, side: left}}}\n"
    )
    return path


def changed(file, old, new):
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))
    return plan_of(file)


def plan_of(file):
    return Plan(file.parent, load_campaign(file))


def input_error(call, *arguments):
    with pytest.raises(InputError) as caught:
        call(*arguments)
    return caught.value.problems


# Batches


@pytest.mark.parametrize(("count", "batches"), [(1, 1), (2, 1), (4, 2), (100, 50), (101, 34), (1000, 50), (1001, 48)])
def test_batches(tmp_path, count, batches):
    plan = Plan(tmp_path, campaign_of(count))
    assert len(plan.batches) == batches <= MOST_JOBS
    assert sorted(device for batch in plan.batches.values() for device in batch) == sorted(plan.campaign.devices)
    assert all(plan.batch_of(device) == batch for batch, devices in plan.batches.items() for device in devices)


@given(st.integers(1, 3000), st.none() | st.integers(1, 200))
def test_no_device_is_lost_or_done_twice(tmp_path_factory, count, size):
    plan = Plan(
        tmp_path_factory.getbasetemp(),
        CAMPAIGNS.setdefault(count, campaign_of(count)).model_copy(update={"batch_size": size}),
    )
    together = [device for batch in plan.batches.values() for device in batch]
    assert together == sorted(plan.campaign.devices)
    assert list(plan.batches) == sorted(plan.batches)
    assert all(len(batch) <= (size or 10**9) for batch in plan.batches.values())
    assert size is not None or len(plan.batches) <= MOST_JOBS


CAMPAIGNS: dict[int, Campaign] = {}


def test_the_size_asked_for_is_the_size(tmp_path):
    assert [len(batch) for batch in Plan(tmp_path, campaign_of(7, batch_size=3)).batches.values()] == [3, 3, 1]


# What a job depends on


def test_raw_hashes_are_sha256_of_the_content(file):
    plan = plan_of(file)
    expected = {
        f"raw/{name}": hashlib.sha256((file.parent / "raw" / name).read_bytes()).hexdigest()
        for name in ("alder 0.txt", "alder 90.txt")
    }
    assert plan.raw_hashes("alder") == expected


def test_files_named_in_options_are_among_them(file):
    assert list(plan_of(file).raw_hashes("birch")) == ["raw/birch 0.txt", "raw/birch.csv"]


def test_dates_and_rights_do_not_count(file):
    before = dependencies(plan_of(file), "ingest", "0001")
    path = file.parent / "raw" / "alder 0.txt"
    content = path.read_bytes()
    path.unlink()
    path.write_bytes(content)
    os.utime(path, (0, 0))
    path.chmod(0o600)
    assert dependencies(plan_of(file), "ingest", "0001") == before


def test_a_changed_byte_counts_for_its_own_batch_only(file):
    before = [dependencies(plan_of(file), "ingest", batch) for batch in ("0001", "0002")]
    path = file.parent / "raw" / "alder 90.txt"
    path.write_text(path.read_text().replace("84", "85"))
    after = [dependencies(plan_of(file), "ingest", batch) for batch in ("0001", "0002")]
    assert after[0] != before[0] and after[1] == before[1]
    assert set(after[0]["devices"]) == {"alder"}


@pytest.mark.parametrize("how", ["added", "removed", "companion"])
def test_other_changes_of_raw_files_count(file, how):
    batch = "0002" if how == "companion" else "0001"
    before = dependencies(plan_of(file), "ingest", batch)
    raw = file.parent / "raw"
    if how == "added":
        (raw / "alder 180.txt").write_text("1000 76\n")
    elif how == "removed":
        (raw / "alder 90.txt").unlink()
    else:
        (raw / "birch.csv").write_text("")
    assert dependencies(plan_of(file), "ingest", batch) != before


@pytest.mark.parametrize("option", ["/etc/hostname", "../elsewhere.txt", "x" * 5000, "raw", "a\\0b", ""])
def test_words_in_options_that_are_no_files_of_the_campaign(file, option):
    (file.parent.parent / "elsewhere.txt").write_text("x")
    plan = changed(file, "manifest: raw/birch.csv", f'manifest: "{option}"')
    hashes = plan.raw_hashes("birch")
    assert not any(path.startswith("/") for path in hashes) and "raw/birch 0.txt" in hashes


@pytest.mark.parametrize("state", ["absent", "folder", "dangling"])
def test_what_cannot_be_read_has_no_hash_and_stops_nothing(file, state):
    path = file.parent / "raw" / "birch 0.txt"
    path.unlink()
    if state == "folder":
        path.mkdir()
    if state == "dangling":
        path.symlink_to("nowhere")
    assert plan_of(file).raw_hashes("birch")["raw/birch 0.txt"] == "unreadable"


@pytest.mark.parametrize(
    ("old", "new", "counts"),
    [
        ("title: Birch", "title: Birch 8", True),
        ("side: left", "side: right", True),
        ("options: {", "importer: delimited, options: {", True),
        ("{title: Birch,", "{title: Birch, setup: {distance: 2},", True),
        ("{title: Birch,", "{title: Birch, about: Heavy, listening: [{text: Calm}],", False),
        ("title: Halls", "title: All halls", False),
        ("batch_size: 1\n", "batch_size: 1\nderivation: {smoothing: 6}\n", False),
    ],
)
def test_what_an_import_depends_on_in_the_campaign(file, old, new, counts):
    before = dependencies(plan_of(file), "ingest", "0002")
    assert (dependencies(changed(file, old, new), "ingest", "0002") != before) is counts


@pytest.mark.parametrize(
    ("old", "new", "stages"),
    [
        ("batch_size: 1\n", "batch_size: 1\nderivation: {smoothing: 6}\n", {"derive", "numbers", "report", "crate"}),
        ("batch_size: 1\n", "batch_size: 1\ndistortion: {levels: [90]}\n", {"distortion", "report", "crate"}),
        ("batch_size: 1\n", "batch_size: 1\nfigures: {formats: [svg]}\n", {"draw", "compare", "report", "crate"}),
        ("title: Halls", "title: All halls", {"report", "crate"}),
        ("title: Birch", "title: Birch, about: Heavy", {"report", "crate"}),
        ("batch_size: 1\n", "batch_size: 2\n", set()),
    ],
)
def test_what_the_later_stages_depend_on(file, old, new, stages):
    later = (*DEVICE_STAGES[1:], *CAMPAIGN_STAGES)
    before = {stage: dependencies(plan_of(file), stage) for stage in later}
    plan = changed(file, old, new)
    assert {stage for stage in later if dependencies(plan, stage) != before[stage]} == stages


@pytest.mark.parametrize("stage", [*DEVICE_STAGES, *CAMPAIGN_STAGES])
def test_method_versions_are_among_it(file, stage, monkeypatch):
    from anechain import methods
    from anechain.registry.stages import stage_module

    plan = plan_of(file)
    before = dependencies(plan, stage, "0001")
    assert before["methods"][f"stage {stage}"] == stage_module(stage).VERSION
    for used in stage_module(stage).USES:
        known = methods.methods()
        newest = max(known[used])
        later = dataclasses.replace(known[used][newest], version=newest + 1)
        with monkeypatch.context() as patched:
            patched.setattr(methods, "_registry", {**known, used: {**known[used], newest + 1: later}})
            assert dependencies(plan, stage, "0001")["methods"] == {**before["methods"], used: newest + 1}
            kept = Plan(plan.folder, plan.campaign.model_copy(update={"method_versions": {used: newest}}))
            assert dependencies(kept, stage, "0001")["methods"] == before["methods"]


def test_an_importers_version_counts(file, monkeypatch):
    before = dependencies(plan_of(file), "ingest", "0001")
    monkeypatch.setattr(Plan, "importer_versions", {"delimited": "2", "sofa": "1"})
    assert dependencies(plan_of(file), "ingest", "0001") != before


def test_it_is_plain_json(file):
    for stage in (*DEVICE_STAGES, *CAMPAIGN_STAGES):
        depends = dependencies(plan_of(file), stage, "0001")
        assert json.loads(json.dumps(depends)) == depends


def test_an_unknown_stage(file):
    with pytest.raises(KeyError, match="polish"):
        dependencies(plan_of(file), "polish")


# Raw files


def resolved(file, *patterns):
    campaign = load_campaign(file)
    one = campaign.devices["alder"]
    found = resolve_files(
        file.parent, one.model_copy(update={"responses": one.responses.model_copy(update={"files": patterns})})
    )
    return found["responses"]


def test_files_are_found_once_and_sorted(file):
    raw = file.parent / "raw"
    (raw / "alder 5.txt").mkdir()
    found = resolved(file, "raw/birch 0.txt", "raw/alder *.txt", "raw/*0.txt")
    assert found == [raw / "alder 0.txt", raw / "alder 90.txt", raw / "birch 0.txt"]


def test_a_name_that_looks_like_a_pattern_is_a_name_if_there_is_such_a_file(file):
    path = file.parent / "raw" / "alder [2].txt"
    path.write_text("1000 84\n")
    (file.parent / "raw" / "alder 2.txt").write_text("1000 84\n")
    assert resolved(file, "raw/alder [2].txt") == [path]
    path.unlink()
    assert resolved(file, "raw/alder [2].txt") == [path.with_name("alder 2.txt")]


def test_every_problem_with_raw_files_is_said_at_once(file):
    raw = file.parent / "raw"
    (raw / "empty.txt").touch()
    (raw / "folder.txt").mkdir()
    (raw / "dangling.txt").symlink_to("nowhere")
    (raw / "around.txt").symlink_to("around.txt")
    problems = input_error(
        resolved,
        file,
        *("raw/absent.txt", "raw/*.none", "raw/empty.txt", "raw/folder.txt", "raw/dangling.txt", "raw/around.txt"),
        *("raw/alder 0.txt", "raw/**x.txt", "raw/[.txt", "x" * 300),
    )
    assert {one.where: one.what for one in problems} == {
        "raw/absent.txt": "cannot be read: No such file or directory",
        "raw/*.none": "matches no file",
        "raw/empty.txt": "is empty",
        "raw/folder.txt": "cannot be read: it is a folder, not a regular file",
        "raw/dangling.txt": "cannot be read: No such file or directory",
        "raw/around.txt": "cannot be read: Too many levels of symbolic links",
        "raw/**x.txt": "matches no file",
        "raw/[.txt": "matches no file",
        "x" * 300: "cannot be read: File name too long",
    }
    assert all(one.fix for one in problems)


def test_a_dangling_link_among_the_files_of_a_pattern_is_named(file):
    (file.parent / "raw" / "alder 45.txt").symlink_to("nowhere")
    (problem,) = input_error(resolved, file, "raw/alder *.txt")
    assert problem.where == "raw/alder 45.txt"


# Prepare and open


def test_prepare_and_open_give_one_plan(file):
    plan = prepare(file, keep_going=True)
    assert open_plan(file.parent, keep_going=True) == plan
    written = (plan.results / "campaign.json").read_bytes()
    assert json.loads(written)["campaign"]["title"] == "Halls"
    prepare(file)
    assert (plan.results / "campaign.json").read_bytes() == written


def test_prepare_follows_the_defaults_of_the_software(file):
    """What an older version resolved from the same file is written anew."""
    plan = prepare(file)
    target = plan.results / "campaign.json"
    written = target.read_bytes()
    older = {name: part for name, part in json.loads(written).items() if name != "receipt"}
    del older["campaign"]["checks"]
    write_artefact(
        target, canonical_json(older), make_receipt("campaign", 1, {}, [Input("raw:campaign.yaml", sha256_file(file))])
    )
    assert target.read_bytes() != written
    prepare(file)
    assert target.read_bytes() == written


def test_prepare_follows_the_campaign_file(file):
    prepare(file)
    changed(file, "title: Halls", "title: All halls")
    prepare(file)
    assert open_plan(file.parent).campaign.title == "All halls"


@pytest.mark.parametrize("content", [None, b"", b"{", b"[]", b"{}", b'{"campaign": 5}', b'{"campaign": {}}', b"\xff"])
def test_what_was_not_prepared_cannot_be_opened(file, content):
    if content is not None:
        (file.parent / "results").mkdir()
        (file.parent / "results" / "campaign.json").write_bytes(content)
    (problem,) = input_error(open_plan, file.parent)
    assert problem.what == "is not a prepared campaign" and problem.fix


@pytest.mark.parametrize("obstacle", ["file", "dangling", "target"])
def test_results_that_cannot_be_written(file, obstacle):
    results = file.parent / "results"
    if obstacle == "file":
        results.write_text("notes")
    elif obstacle == "dangling":
        results.symlink_to("nowhere")
    else:
        (results / "campaign.json").mkdir(parents=True)
    (problem,) = input_error(prepare, file)
    assert (
        problem.where.startswith(str(results)) and problem.what.startswith("cannot be written: ") and problem.expected
    )
    assert obstacle != "file" or results.read_text() == "notes"


def test_a_wrong_campaign_makes_no_results_folder(file):
    file.write_text("anechain: 1\n")
    input_error(prepare, file)
    assert not (file.parent / "results").exists()


@pytest.fixture
def finished(file):
    """A run in which every job of both batches is done, as the manifests tell."""
    plan = prepare(file)
    for stage in DEVICE_STAGES:
        for batch, (device,) in plan.batches.items():
            write_manifest(plan, stage, batch, {device: {"stamp": "0" * 64, "outputs": output(plan, device, stage)}})
    for stage in CAMPAIGN_STAGES:
        write_manifest(plan, stage, "all", {"all": {"stamp": "0" * 64, "outputs": output(plan, "whole", stage)}})
    return plan


def output(plan, device, stage):
    path = plan.results / device / f"{stage}.csv"
    path.parent.mkdir(exist_ok=True)
    path.write_text(f"{device} {stage}")
    return {f"{device}/{stage}.csv": hashlib.sha256(path.read_bytes()).hexdigest()}


def write_manifest(plan, stage, batch, devices):
    path = plan.manifest(stage, batch)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(manifest_text(stage, batch, devices, made_from(plan, stage, batch)))


def kept_manifests(plan):
    return {f"{path.parent.name}/{path.stem}" for path in (plan.results / ".chain").glob("*/*.json")}


ALL = {f"{stage}/{batch}" for stage in DEVICE_STAGES for batch in ("0001", "0002")} | {
    f"{stage}/all" for stage in CAMPAIGN_STAGES
}


def again(plan, **options):
    prepare(plan.folder / "campaign.yaml", **options)
    return kept_manifests(plan)


def test_a_finished_run_is_left_as_it_is(finished):
    assert again(finished) == ALL


@pytest.mark.parametrize(
    ("stage", "batch", "device", "left"),
    [
        ("ingest", "0001", "alder", {f"{stage}/0002" for stage in DEVICE_STAGES}),
        ("derive", "0002", "birch", {"ingest/0002"} | {f"{stage}/0001" for stage in DEVICE_STAGES}),
        (
            "draw",
            "0001",
            "alder",
            {f"{stage}/{batch}" for stage in DEVICE_STAGES for batch in ("0001", "0002")} - {"draw/0001"},
        ),
        ("compare", "all", "whole", ALL - {"compare/all", "report/all", "crate/all"}),
        ("report", "all", "whole", ALL - {"report/all", "crate/all"}),
        ("crate", "all", "whole", ALL - {"crate/all"}),
    ],
)
@pytest.mark.parametrize("state", ["altered", "gone", "folder", "failed", "waiting", "torn", "no manifest"])
def test_what_is_not_whole_is_forgotten_with_all_that_follows(finished, stage, batch, device, left, state):
    path = finished.results / device / f"{stage}.csv"
    if state == "altered":
        path.write_text("84 dB")
    elif state in ("gone", "folder"):
        path.unlink()
        if state == "folder":
            path.mkdir()
    elif state in ("failed", "waiting"):
        write_manifest(finished, stage, batch, {device: {state: ["why"] if state == "failed" else "ingest"}})
    elif state == "torn":
        finished.manifest(stage, batch).write_text('{"devices": {')
    else:
        finished.manifest(stage, batch).unlink()
    assert again(finished, clean=False) == ALL - ({f"{stage}/{batch}"} if state == "no manifest" else set())
    assert again(finished) == left
    if state == "altered":
        assert not path.exists(), "an output that is not what its receipt says stays to be used"
    other = finished.results / ("birch" if device == "alder" else "alder") / "ingest.csv"
    assert other.read_text() == f"{other.parent.name} ingest"


def test_half_written_files_are_removed(finished):
    halves = [finished.results / "alder" / ".curves.nc.k3j2.part", finished.results / ".chain" / "derive" / ".1.x.part"]
    kept = [finished.results / "alder" / "third.part", finished.folder / "raw" / ".alder.part"]
    for path in (*halves, *kept):
        path.write_text("half")
    prepare(finished.folder / "campaign.yaml", clean=False)
    assert all(path.exists() for path in halves)
    assert again(finished) == ALL
    assert not any(path.exists() for path in halves) and all(path.exists() for path in kept)


@pytest.mark.parametrize(
    ("chosen", "what", "fix"),
    [
        ("on-axes: 1", "method_versions.on-axes: no method has this id", "did you mean on-axis?"),
        ("zzz: 1", "method_versions.zzz: no method has this id", "remove it"),
        ("on-axis: 99", "method_versions.on-axis is 99", "choose one of these, or remove it for the newest"),
    ],
)
def test_method_versions_that_are_not_there(file, chosen, what, fix):
    file.write_text(file.read_text() + f"method_versions: {{{chosen}}}\n")
    (problem,) = input_error(prepare, file)
    assert (problem.what, problem.fix) == (what, fix) and problem.expected
    assert not (file.parent / "results").exists()


def test_the_order_of_the_devices_is_the_authors(file):
    text = file.read_text()
    first, second = text.splitlines(keepends=True)[-2:]
    file.write_text(text.replace(first + second, second + first))
    prepare(file)
    assert list(open_plan(file.parent).campaign.devices) == ["birch", "alder"]


# Manifests


@pytest.mark.parametrize("content", [None, b"", b"{", b"[]", b"5", b"{}", b'{"devices": []}', b"\xff"])
def test_a_manifest_that_is_none(file, content):
    path = file.parent / "manifest.json"
    if content is not None:
        path.write_bytes(content)
    assert read_manifest(path) is None


def test_the_entry_of_a_device(finished):
    assert set(entry_of(finished, "derive", "birch")) == {"stamp", "outputs"}
    write_manifest(finished, "derive", "0002", {})
    (problem,) = input_error(entry_of, finished, "derive", "birch")
    assert problem.where == "birch" and problem.what == "stage derive has not been run for it" and problem.fix
