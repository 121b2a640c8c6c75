"""Nothing is lost and nothing half is believed: runs interrupted, killed, cut off from power or tampered with."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from anechain.errors import InputError
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.lock import acquire_lock, lock_owner, only_run
from anechain.running.manifests import read_manifest
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch, run_whole
from campaigns import anechain, campaign
from finished_campaigns import run_all

pytestmark = pytest.mark.proof

# Started in every Python below a run: holds one stage's job for ever just before its first output is put in place, so
# that the half-written file lies beside it, and says so.
HOLD = """
import os, pathlib, sys, time
stage = os.environ.get("HOLD_STAGE")
if stage and "stage" in sys.orig_argv and stage in sys.orig_argv[-2:]:
    kept = pathlib.Path.replace
    def replace(self, target):
        if ".chain" not in pathlib.Path(target).parts:
            pathlib.Path(os.environ["HELD"]).touch()
            time.sleep(120)
        return kept(self, target)
    pathlib.Path.replace = replace
"""
ONCE = ("ro-crate-metadata.json", ".chain/crate/")
"""What tells when the run was, and so is never the same twice."""


def results(folder):
    """Bytes of all results."""
    below = folder / "results"
    files = {path.relative_to(below).as_posix(): path for path in below.rglob("*") if path.is_file()}
    return {name: path.read_bytes() for name, path in files.items() if not name.startswith(ONCE)}


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("undisturbed")
    run_all(campaign(folder))
    return folder


@pytest.fixture
def copy(undisturbed, tmp_path):
    shutil.copytree(undisturbed, tmp_path / "copy", copy_function=shutil.copy2)
    return tmp_path / "copy"


# Runs that end before their time.


class Held:
    """A run whose job of one stage stands still in the middle of writing."""

    def __init__(self, folder: Path, stage: str):
        (folder / "site").mkdir(exist_ok=True)
        (folder / "site" / "sitecustomize.py").write_text(HOLD)
        held = folder / "held"
        held.unlink(missing_ok=True)
        environment = {**os.environ, "PYTHONPATH": str(folder / "site"), "HOLD_STAGE": stage, "HELD": str(held)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "anechain", "run", folder / "campaign.yaml", "--cores", "2"],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            # A background job of a shell ignores it, and so do its children.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        until(lambda: held.exists() or self.process.poll() is not None)
        assert self.process.poll() is None, self.process.communicate()
        self.run, self.workflow = map(int, (folder / "results" / ".chain" / "lock").read_text().split())

    def jobs(self):
        """Processes of the workflow's group but the workflow itself."""
        shown = subprocess.run(["ps", "-A", "-o", "pid=,pgid=,args="], capture_output=True, text=True, check=True)
        rows = [line.split(None, 2) for line in shown.stdout.splitlines()]
        return [int(pid) for pid, group, what in rows if int(group) == self.workflow and "anechain stage" in what]

    def end(self):
        """Status and what was said, when everything has ended."""
        said = self.process.communicate()
        until(lambda: not alive(self.workflow))
        return self.process.returncode, *said


def until(true, seconds=300):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


def alive(group):
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.fixture(scope="module")
def disturbed(tmp_path_factory):
    """One campaign whose every stage is ended in another way; what was seen each time; then a run to the end."""
    folder = tmp_path_factory.mktemp("disturbed")
    file = campaign(folder)
    seen = {}

    held = Held(folder, "ingest")
    seen["second run"] = anechain("run", file, check=False), held.run
    plain = [sys.executable, "-m", "snakemake", "-s", anechain("workflow").stdout.strip(), "-d", folder, "--cores", "1"]
    seen["plain"] = subprocess.run(plain, capture_output=True, text=True), held.run
    os.killpg(held.run, signal.SIGKILL)
    seen["killed group"] = held.end()
    seen["halves"] = list((folder / "results").rglob(".*.part")), (folder / "results" / ".chain" / "lock").exists()

    held = Held(folder, "derive")
    seen["halves after"] = seen["halves"][0] and [path for path in seen["halves"][0] if path.exists()]
    os.kill(held.run, signal.SIGINT)
    seen["interrupted"] = held.end()
    seen["halves interrupted"] = list((folder / "results").rglob(".*.part"))

    held = Held(folder, "draw")
    for job in held.jobs():
        os.kill(job, signal.SIGKILL)
    seen["killed job"] = held.end()

    held = Held(folder, "compare")
    os.kill(held.run, signal.SIGTERM)
    seen["terminated"] = held.end()

    held = Held(folder, "report")
    os.kill(held.workflow, signal.SIGKILL)
    seen["killed workflow"] = held.end()

    seen["last"] = anechain("run", file, "--cores", "2", check=False)
    return folder, seen


def test_after_all_of_it_the_results_are_those_of_an_undisturbed_run(disturbed, undisturbed):
    folder, seen = disturbed
    assert seen["last"].returncode == 0, seen["last"].stderr
    assert results(folder) == results(undisturbed)


def test_a_second_run_is_refused_and_told_of_the_first(disturbed):
    done, process = disturbed[1]["second run"]
    assert done.returncode == 1
    assert f"another run of this campaign is active: process {process}" in done.stderr


def test_so_is_plain_snakemake(disturbed):
    done, process = disturbed[1]["plain"]
    assert done.returncode != 0
    assert f"another run of this campaign is active: process {process}" in done.stdout + done.stderr


def test_a_run_killed_with_its_group_leaves_no_process_behind(disturbed):
    status, _, said = disturbed[1]["killed group"]
    assert status == -signal.SIGKILL and said == ""
    halves, lock = disturbed[1]["halves"]
    assert halves and lock, "nothing was interrupted in the middle"
    assert disturbed[1]["halves after"] == []


def test_an_interrupted_run_says_one_calm_line(disturbed):
    status, told, said = disturbed[1]["interrupted"]
    assert status == 130
    assert told == ""
    assert said == "Stopped. Finished results are kept; the next run continues from there.\n"
    assert disturbed[1]["halves interrupted"] == []


def test_so_does_one_that_is_asked_to_end(disturbed):
    status, _, said = disturbed[1]["terminated"]
    assert status == 128 + signal.SIGTERM
    assert said.count("\n") == 1 and said.startswith("Stopped. ")


def test_a_job_killed_from_outside_is_told_and_what_comes_next(disturbed):
    status, _, said = disturbed[1]["killed job"]
    assert status == 1
    assert "the next stage is draw of alder, rowan" in said and "killed" in said and "run again" in said
    assert "Traceback" not in said


def test_a_killed_workflow_takes_its_jobs_with_it(disturbed):
    status, _, said = disturbed[1]["killed workflow"]
    assert status == 128 + signal.SIGKILL
    assert "the next stage is report" in said


# Power cuts and hands: what is believed of what is there.


def resume(file):
    """What the workflow does: every job that has no manifest, in order; the jobs done."""
    plan = prepare(file)
    done = []
    for stage in DEVICE_STAGES:
        for batch in plan.batches:
            if not plan.manifest(stage, batch).exists():
                run_batch(plan, stage, batch)
                done.append(stage)
    for stage in CAMPAIGN_STAGES:
        if not plan.manifest(stage, "all").exists():
            run_whole(plan, stage)
            done.append(stage)
    return done


def cut(path, share=0.5):
    with path.open("r+b") as file:
        file.truncate(int(path.stat().st_size * share))


def edited(path, change):
    manifest = json.loads(path.read_bytes())
    change(manifest)
    path.write_text(json.dumps(manifest))


def without_rowan(manifest):
    del manifest["devices"]["rowan"]


def other_hash(manifest):
    manifest["devices"]["rowan"]["outputs"]["rowan/curves.nc"] = "0" * 64


LATER = {stage: [*DEVICE_STAGES, *CAMPAIGN_STAGES][at:] for at, stage in enumerate([*DEVICE_STAGES, *CAMPAIGN_STAGES])}
CURVES, MANIFEST = "results/rowan/curves.nc", "results/.chain/derive/0001.json"


@pytest.mark.parametrize(
    ("damage", "done"),
    [
        (lambda folder: cut(folder / CURVES), LATER["derive"]),
        (lambda folder: cut(folder / CURVES, 0), LATER["derive"]),
        (lambda folder: cut(folder / MANIFEST), LATER["derive"]),
        (lambda folder: cut(folder / MANIFEST, 0), LATER["derive"]),
        (lambda folder: edited(folder / MANIFEST, without_rowan), LATER["derive"]),
        (lambda folder: edited(folder / MANIFEST, other_hash), LATER["derive"]),
        (lambda folder: cut(folder / "results/figures/alder-map-horizontal.vl.json"), LATER["draw"]),
        (lambda folder: (folder / "results/figures/alder-map-horizontal.vl.json").write_text("{}"), LATER["draw"]),
        (lambda folder: cut(folder / "results/report/index.html", 0.99), LATER["report"]),
        (lambda folder: shutil.rmtree(folder / "results/alder"), LATER["ingest"]),
        (lambda folder: cut(folder / "results/campaign.json"), []),
        (lambda folder: (folder / "results/rowan/.0123456789abcdef.part").write_text("half"), []),
        (lambda folder: (folder / "results/.chain/lock").write_text("1\n2\n"), []),
    ],
    ids=[
        *("curves cut", "curves empty", "manifest cut", "manifest empty", "manifest entry gone", "manifest edited"),
        *("figure cut", "figure edited", "page cut", "device folder gone", "campaign cut", "half file", "old lock"),
    ],
)
def test_damage_is_found_before_anything_is_built_on_it(copy, undisturbed, damage, done):
    damage(copy)
    assert resume(copy / "campaign.yaml") == done
    (copy / "results" / ".chain" / "lock").unlink(missing_ok=True)
    assert results(copy) == results(undisturbed)


def test_an_edited_manifest_is_none(copy):
    assert read_manifest(copy / MANIFEST) is not None
    edited(copy / MANIFEST, other_hash)
    assert read_manifest(copy / MANIFEST) is None


def test_no_manifest_makes_us_remove_what_lies_outside_the_results(copy):
    raw = next((copy / "raw").rglob("*.csv"))
    inside = os.path.relpath(raw, copy / "results")

    def change(manifest):
        manifest["devices"]["rowan"]["outputs"] = {inside: "0" * 64}
        del manifest["seal"]

    edited(copy / MANIFEST, change)
    assert "derive" in resume(copy / "campaign.yaml")
    assert raw.is_file()


def measured_again(folder):
    raw = folder / "raw" / "rowan" / "rowan horizontal +30.csv"
    rows = raw.read_text().splitlines()
    raw.write_text("\n".join([*rows[:-1], "16000,70.000"]) + "\n")
    return raw


def test_a_change_of_raw_files_is_seen_without_snakemakes_records(copy):
    """As after a power cut that took them, or when somebody tidies up; dates tell nothing."""
    assert not (copy / ".snakemake").exists()
    raw = measured_again(copy)
    os.utime(raw, (1_000_000_000, 1_000_000_000))
    assert resume(copy / "campaign.yaml") == LATER["ingest"]


def test_a_clock_that_was_set_back_hides_nothing(copy):
    """The import was made anew and then the run ended; its manifest carries an earlier date than the old curves'."""
    measured_again(copy)
    plan = prepare(copy / "campaign.yaml", clean=False)
    run_batch(plan, "ingest", "0001")
    os.utime(plan.manifest("ingest", "0001"), (1_000_000_000, 1_000_000_000))
    assert resume(copy / "campaign.yaml") == LATER["derive"]


def test_snakemake_goes_on_by_itself_after_a_power_cut(copy, undisturbed):
    """Everything at once: cut files, half files, Snakemake's lock and its mark of a job that was not finished."""
    import base64

    for name in (CURVES, "results/campaign.json", "results/.chain/draw/0001.json"):
        cut(copy / name)
    (copy / "results" / "rowan" / ".0123456789abcdef.part").write_text("half")
    (copy / "results" / ".chain" / "lock").write_text("99999999\n")
    for folder, name, text in (
        ("incomplete", base64.urlsafe_b64encode(b"results/.chain/ingest/0001.json").decode(), "{}"),
        ("locks", "0.output.lock", "results/.chain/derive/0001.json\n"),
        ("locks", "0.input.lock", "results/.chain/ingest/0001.json\n"),
    ):
        (copy / ".snakemake" / folder).mkdir(parents=True, exist_ok=True)
        (copy / ".snakemake" / folder / name).write_text(text)
    anechain("run", copy / "campaign.yaml", "--cores", "2")
    assert results(copy) == results(undisturbed)


# The lock.


def test_the_lock_is_gone_with_the_process_that_held_it(tmp_path):
    holder = (
        "import sys, time, pathlib, anechain.running.lock as r; r.acquire_lock(pathlib.Path(sys.argv[1])); "
        "print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", holder, tmp_path], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "held\n"
        assert lock_owner(tmp_path) == f"process {process.pid}"
        with pytest.raises(InputError, match=f"process {process.pid}"):
            acquire_lock(tmp_path)
        process.kill()
    assert lock_owner(tmp_path) == ""
    with only_run(tmp_path) as handle:
        assert handle is not None
        assert lock_owner(tmp_path) == f"process {os.getpid()}"
    assert not (tmp_path / ".chain" / "lock").exists()


def test_results_that_cannot_be_written_are_named(tmp_path):
    (tmp_path / "results").write_text("notes")
    with pytest.raises(InputError, match="cannot be written"):
        acquire_lock(tmp_path / "results")
