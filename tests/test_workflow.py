"""The whole chain through Snakemake, as a lab runs it."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import anechain
from anechain.data import store
from anechain.receipts.receipt import raw_inputs
from campaigns import FREQUENCY, angle_level, campaign, snapshot
from campaigns import anechain as run_anechain
from finished_campaigns import run_all

CRATE = "ro-crate-metadata.json"
DEVICE_FILES = ("responses.nc", "curves.nc", "curves.csv")


def run(file, *arguments, **options):
    return run_anechain("run", file, "--cores", "2", *arguments, **options)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A campaign with pictures, run once in this process, to be read by several tests."""
    folder = tmp_path_factory.mktemp("finished")
    run_all(campaign(folder, formats="[svg, png, pdf]"))
    return folder


@pytest.fixture(scope="module")
def light(tmp_path_factory):
    """The same without pictures, run by the workflow; tests that change something work on a copy."""
    folder = tmp_path_factory.mktemp("light")
    run(campaign(folder))
    return folder


@pytest.fixture
def copy(light, tmp_path):
    shutil.copytree(light, tmp_path / "copy", copy_function=shutil.copy2)
    return tmp_path / "copy"


def changed(before, after):
    return {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}


def test_every_output_goes_back_to_the_raw_files(finished):
    raw = {
        path.relative_to(finished).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (finished / "raw").rglob("*.csv")
    }
    assert len(raw) == 144
    outputs = [path for path in (finished / "results").rglob("*") if path.is_file() and ".chain" not in path.parts]
    # The crate tells of the others, and names the workflow; neither carries a receipt.
    outputs = [path for path in outputs if path.name != CRATE and "workflow" not in path.parts]
    endings = {"".join(path.suffixes) for path in outputs}
    assert endings == {".nc", ".csv", ".vl.json", ".json", ".svg", ".png", ".pdf", ".html"}
    for path in outputs:
        if path.name == "campaign.json":
            assert list(raw_inputs(store.read_receipt(path))) == ["campaign.yaml"]
            continue
        found = raw_inputs(store.read_receipt(path))
        device = next(
            (name for name in ("rowan", "alder") if name in (path.parent.name, path.name.split("-")[0])), None
        )
        expected = {name: sha for name, sha in raw.items() if device is None or f"/{device}/" in name}
        assert found == expected, path


@pytest.mark.parametrize(
    "name",
    [
        *(f"rowan/{name}" for name in DEVICE_FILES),
        *(f"figures/rowan-curves.{ending}" for ending in ("svg", "png", "pdf", "vl.json")),
        "report/index.html",
        "comparison.nc",
    ],
)
def test_trace_tells_from_the_file_alone(finished, tmp_path, name):
    moved = tmp_path / "renamed"
    shutil.copyfile(finished / "results" / name, moved)
    told = run_anechain("trace", moved, cwd=tmp_path).stdout
    raw = finished / "raw" / "rowan" / "rowan horizontal +30.csv"
    assert "raw/rowan/rowan horizontal +30.csv" in told
    assert hashlib.sha256(raw.read_bytes()).hexdigest() in told
    document = json.loads(run_anechain("trace", moved, "--json").stdout)
    assert document["wrong"] == [] and document["receipt"]["stamp"] in told


def test_the_curves_are_those_of_the_source(finished):
    """The on-axis curve is the closed form referred from 2 m to 1 m: 20 lg 2 dB more.

    The mean of straight lines of squared pressure over 1/20 octave has 95 % of a point and 2.5 % of each neighbour, a
    quarter of an octave away.
    """
    curves = store.read_dataset(finished / "results" / "rowan" / "curves.nc")
    squared = 10 ** (angle_level(1.0, 0.0) / 10)
    squared[1:-1] = 0.95 * squared[1:-1] + 0.025 * (squared[:-2] + squared[2:])
    expected = 10 * np.log10(squared) + 20 * np.log10(2)
    np.testing.assert_allclose(curves["level"].sel(curve="on_axis"), expected, atol=0.0006)  # raw files have 3 decimals
    np.testing.assert_allclose(curves["frequency"], FREQUENCY, rtol=1e-5)
    assert curves.attrs["distance"] == 1.0 and curves.attrs["drive"] == 2.83
    assert json.loads(curves.attrs["gaps"]) == {}


def test_a_figure_that_computes_names_the_methods_it_uses(finished):
    receipt = store.read_receipt(finished / "results" / "figures" / "rowan-map-horizontal.png")
    assert receipt["steps"][receipt["stamp"]]["parameters"]["methods"] == {"band-means": 1}


@pytest.mark.proof
def test_a_second_run_does_nothing(copy):
    before = snapshot(copy / "results")
    run(copy / "campaign.yaml")
    assert snapshot(copy / "results") == before
    run(copy / "campaign.yaml", "--", "--dry-run")
    assert snapshot(copy / "results") == before


def jobs(folder, *arguments):
    """Names of the rules that plain Snakemake would run."""
    from anechain_workflows import snakefile

    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "-s", snakefile(), "-d", folder, "--cores", "1", "--dry-run", *arguments],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return {
        line.split()[1].rstrip(":") for line in (done.stdout + done.stderr).splitlines() if line.startswith("rule ")
    }


@pytest.mark.proof
def test_plain_snakemake_agrees_that_nothing_is_to_be_done(copy):
    assert jobs(copy) == set()


@pytest.mark.proof
def test_the_date_of_a_raw_file_is_of_no_account(copy):
    for path in (copy / "raw").rglob("*.csv"):
        os.utime(path, (2_000_000_000, 2_000_000_000))
    assert jobs(copy) == set()


@pytest.mark.proof
def test_changed_content_redoes_only_what_depends_on_it(copy):
    before = snapshot(copy / "results")
    raw = copy / "raw" / "rowan" / "rowan horizontal +30.csv"
    rows = raw.read_text().splitlines()
    f, level = rows[10].split(",")
    rows[10] = f"{f},{float(level) + 1:.3f}"
    raw.write_text("\n".join(rows) + "\n")
    os.utime(raw, (1_000_000_000, 1_000_000_000))  # older than everything made from it
    run(copy / "campaign.yaml")
    different = changed(before, snapshot(copy / "results"))
    assert {f"rowan/{name}" for name in DEVICE_FILES} <= different
    assert (
        "figures/rowan-curves.vl.json" in different
        and "report/index.html" in different
        and "comparison.nc" in different
    )
    assert not any("alder" in name for name in different)


@pytest.mark.proof
def test_a_raised_method_version_redoes_what_used_it_and_nothing_else(copy, tmp_path):
    """The listening window's version is raised in a copy of the code: derivation and all after it, but no import."""
    package = Path(anechain.__file__).parent
    shutil.copytree(package, tmp_path / "code" / "anechain", ignore=shutil.ignore_patterns("__pycache__"))
    source = tmp_path / "code" / "anechain" / "acoustics" / "directivity" / "curve_averages.py"
    text = source.read_text()
    marked = '"listening-window",\n    version=1,'
    assert text.count(marked) == 1
    source.write_text(text.replace(marked, '"listening-window",\n    version=2,'))
    before = snapshot(copy / "results")
    run(copy / "campaign.yaml", env={"PYTHONPATH": str(tmp_path / "code")})
    different = changed(before, snapshot(copy / "results"))
    assert {"rowan/curves.nc", "alder/curves.nc", "figures/rowan-curves.vl.json", "report/index.html"} <= different
    assert not any(name.endswith("responses.nc") for name in different)
    receipt = store.read_receipt(copy / "results" / "rowan" / "curves.nc")
    assert receipt["steps"][receipt["stamp"]]["parameters"]["methods"]["listening-window"] == 2


SECOND_VERSION = '''

@method("listening-window", version=2, title="Horizontal half of it", source="none", limitations="A trial.")
def listening_window_on_one_orbit(orbits: MeasuredOrbits) -> DerivedCurve:
    """Mean squared pressure of the seven horizontal directions."""
    return _mean_power(orbits, LISTENING_WINDOW[:7])
'''


@pytest.mark.proof
def test_last_years_curve_is_made_again_with_last_years_method(copy, tmp_path):
    """A second version of the listening window is added beside the first; the campaign then asks for the first."""
    package = Path(anechain.__file__).parent
    shutil.copytree(package, tmp_path / "code" / "anechain", ignore=shutil.ignore_patterns("__pycache__"))
    with (tmp_path / "code" / "anechain" / "acoustics" / "directivity" / "curve_averages.py").open("a") as source:
        source.write(SECOND_VERSION)
    code = {"PYTHONPATH": str(tmp_path / "code")}
    old = (copy / "results" / "rowan" / "curves.nc").read_bytes()
    until = ("--", "--until", "derive")
    run(copy / "campaign.yaml", *until, env=code)
    new = store.read_dataset(copy / "results" / "rowan" / "curves.nc")
    assert new["curve_method"].sel(curve="listening_window").item() == "listening-window@2"
    assert new["curve_method"].sel(curve="sound_power").item() == "sound-power-two-orbits@1"
    with (copy / "campaign.yaml").open("a") as file:
        file.write("method_versions: {listening-window: 1}\n")
    run(copy / "campaign.yaml", *until, env=code)
    assert (copy / "results" / "rowan" / "curves.nc").read_bytes() == old


@pytest.mark.proof
def test_a_method_version_that_is_not_kept_is_refused(copy):
    with (copy / "campaign.yaml").open("a") as file:
        file.write("method_versions: {listening-window: 7, listning-window: 1}\n")
    done = run(copy / "campaign.yaml", check=False)
    assert done.returncode == 1
    assert "method_versions.listening-window is 7" in done.stderr and "did you mean listening-window?" in done.stderr


@pytest.mark.proof
def test_prose_redoes_the_page_only(copy):
    before = snapshot(copy / "results")
    file = copy / "campaign.yaml"
    file.write_text(file.read_text().replace("title: Trial halls", "title: Trial halls, second print"))
    run(file)
    made = {name for name in changed(before, snapshot(copy / "results")) if not name.startswith(".chain")}
    assert made == {"campaign.json", "report/index.html", CRATE}


@pytest.mark.proof
def test_a_result_altered_by_hand_is_made_again(copy):
    before = snapshot(copy / "results")
    curves = copy / "results" / "rowan" / "curves.nc"
    data = bytearray(curves.read_bytes())
    data[len(data) // 2] ^= 1
    curves.write_bytes(data)
    (copy / "results" / "figures" / "alder-curves.vl.json").unlink()
    run(copy / "campaign.yaml")
    assert {name: content for name, (_, content) in snapshot(copy / "results").items()} == {
        name: content for name, (_, content) in before.items()
    }


@pytest.mark.proof
def test_two_runs_in_two_places_give_the_same_bytes(finished, tmp_path):
    """Another folder, clock zone, locale, user, hash seed and number of cores: nothing of them is in a result."""
    file = campaign(tmp_path / "elsewhere und hier", formats="[svg, png, pdf]")
    surroundings = {
        "TZ": "Pacific/Chatham",
        "LC_ALL": "C",
        "PYTHONHASHSEED": "77",
        "USER": "nobody",
        "LOGNAME": "nobody",
    }
    run_anechain("run", file, "--cores", "1", env=surroundings)
    first, second = (snapshot(folder / "results") for folder in (finished, file.parent))
    # Only the crate tells when it was, and so only the record of the job that made it differs with it.
    timed = {CRATE, ".chain/crate/all.json"}
    assert first.keys() == second.keys() >= timed
    assert {name for name in first if first[name][1] != second[name][1]} <= timed
    told, again = (json.loads(one[CRATE][1]) for one in (first, second))
    for entity in (*told["@graph"], *again["@graph"]):
        for when in ("startTime", "endTime", "datePublished"):
            entity.pop(when, None)
    assert told == again


@pytest.mark.proof
def test_a_failed_device_is_named_and_the_others_are_finished(tmp_path):
    file = campaign(tmp_path)
    broken = tmp_path / "raw" / "alder" / "alder vertical -60.csv"
    good = broken.read_text()
    broken.write_text(good.replace("\n", "\nx", 12))
    stopped = run(file, check=False)
    assert stopped.returncode != 0
    assert "alder failed at ingest" in stopped.stderr and broken.name in stopped.stderr
    assert (tmp_path / "results" / "figures" / "rowan-curves.vl.json").is_file()
    assert not (tmp_path / "results" / "alder").exists() and not (tmp_path / "results" / "report").exists()
    partial = run(file, "--keep-going", check=False)
    assert partial.returncode != 0 and "alder failed at ingest" in partial.stderr
    page = (tmp_path / "results" / "report" / "index.html").read_text()
    assert "Rowan" in page and broken.name in page
    broken.write_text(good)
    run(file, "--", "--until", "derive")
    assert broken.name not in run_anechain("trace", tmp_path / "results" / "rowan" / "curves.nc").stdout
    assert (tmp_path / "results" / "alder" / "curves.nc").is_file()


@pytest.mark.proof
def test_what_snakemake_is_told_after_the_dashes_reaches_it(copy):
    done = run_anechain("run", copy / "campaign.yaml", "--cores", "1", "--", "--forcerun", "report", "--dry-run")
    assert "report" in done.stdout + done.stderr


@pytest.mark.proof
@pytest.mark.parametrize("name", ["x #y.yaml", "2024", "a: b.yaml", "it's {one}.yaml"])
def test_a_campaign_may_have_any_name(copy, name):
    """The file of that name is run, and not campaign.yaml."""
    text = (copy / "campaign.yaml").read_text()
    title = text.splitlines()[1]
    assert title.startswith("title:")
    (copy / name).write_text(text.replace(title, "title: The other file"))
    run(copy / name)
    assert "The other file" in (copy / "results" / "report" / "index.html").read_text()
