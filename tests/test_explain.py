"""What differs between two results and why: every change is predicted in closed form, apart from the product."""

import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

import campaigns
from anechain import methods as registry
from anechain.audit.change_figure import write_change
from anechain.audit.explain import explain, explain_folders
from anechain.audit.explanation_json import explanation_json
from anechain.audit.explanation_text import explanation_text
from anechain.cli import commands
from anechain.data.store import check_receipt
from anechain.errors import InputError
from anechain.receipts import receipt as receipts
from anechain.registry.stages import DEVICE_STAGES
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch, run_whole
from campaigns import FREQUENCY, angle_level

# Directions of the curves as recalled of ANSI/CTA-2034-A and Toole 2008, ch. 18: (plane, angle).
WINDOW = [("h", a) for a in (-30, -20, -10, 0, 10, 20, 30)] + [("v", -10), ("v", 10)]
BOUNCES = {
    "floor_bounce": [("v", a) for a in (-20, -30, -40)],
    "ceiling_bounce": [("v", a) for a in (40, 50, 60)],
    "front_wall_bounce": [("h", a) for a in (0, 10, 20, 30, -10, -20, -30)],
    "side_wall_bounce": [("h", s * a) for a in (40, 50, 60, 70, 80) for s in (1, -1)],
    "rear_wall_bounce": [("h", a) for a in (90, 180, -90)],
}
# Weights of the two-orbit sound power by angle from the axis as ANSI/CTA-2034-A prints them (recalled).
PRINTED = {
    0: 0.000604486,
    10: 0.004730189,
    20: 0.008955027,
    30: 0.012387354,
    40: 0.014989611,
    50: 0.016868154,
    60: 0.018165962,
    70: 0.019006744,
    80: 0.019477787,
    90: 0.019629373,
}


def orbit(*planes):
    """Directions of the sound power and their weights: each pole once, by half where there is one orbit only."""
    angles = range(-170, 181, 10)
    both = [(p, a) for n, p in enumerate(planes) for a in angles if not (n and a in (0, 180))]
    weights = [PRINTED[min(abs(a), 180 - abs(a))] * (0.5 if len(planes) == 1 and a in (0, 180) else 1) for _, a in both]
    return both, np.array(weights)


def mean(level, directions, weights=None):
    """dB of the weighted mean of squared pressure."""
    power = np.array([10 ** (level(plane, angle) / 10) for plane, angle in directions])
    return 10 * np.log10(np.average(power, axis=0, weights=weights))


def expected(level):
    """The curve set by plain arithmetic, dB; `level` gives that of a direction."""
    db = {"on_axis": level("h", 0), "listening_window": mean(level, WINDOW)}
    db |= {name: mean(level, directions) for name, directions in BOUNCES.items()}

    def energy(*parts):
        return 10 * np.log10(sum(share * 10 ** (part / 10) for share, part in parts))

    walls = ("front_wall_bounce", "side_wall_bounce", "rear_wall_bounce")
    for name, parts in {
        "early_reflections": tuple(BOUNCES),
        "early_reflections_horizontal": walls,
        "early_reflections_vertical": ("floor_bounce", "ceiling_bounce"),
    }.items():
        db[name] = energy(*((1 / len(parts), db[part]) for part in parts))
    for name, planes in {"": "hv", "_horizontal": "h", "_vertical": "v"}.items():
        db[f"sound_power{name}"] = mean(level, *orbit(*planes))
    db["in_room"] = energy((0.12, db["listening_window"]), (0.44, db["early_reflections"]), (0.44, db["sound_power"]))
    for kind in ("sound_power", "early_reflections"):
        for suffix in ("", "_horizontal", "_vertical"):
            db[f"{kind}_index{suffix}"] = db["listening_window"] - db[f"{kind}{suffix}"]
    return db


def written(weight=1.0):
    """Level of a direction as the raw files hold it: three decimals."""
    return lambda plane, angle: np.round(angle_level(weight, angle), 3)


UNSMOOTHED = "derivation: {smoothing: null}\n"
"""The levels of the raw files are those of the curves."""


def made(file, whole=()):
    plan = prepare(file)
    # Only the page shows figures of a device.
    every = [stage for stage in DEVICE_STAGES if stage != "draw" or "report" in whole]
    for batch in plan.batches:
        for stage in every if whole else ("ingest", "derive"):
            run_batch(plan, stage, batch)
    for stage in whole:
        run_whole(plan, stage)
    return file.parent


@pytest.fixture
def lab(tmp_path):
    """Make a campaign of its own folder; what is edited before it runs is given."""

    def make(name, raw=lambda folder: None, text=lambda text: text, devices=(("rowan", 1.0),), whole=(), extra=""):
        (tmp_path / name).mkdir()
        derivation = "" if "derivation" in extra else UNSMOOTHED
        file = campaigns.campaign(tmp_path / name, devices=devices, extra=derivation + extra)
        raw(tmp_path / name / "raw")
        file.write_text(text(file.read_text()))
        return made(file, whole)

    return make


@pytest.fixture(scope="module")
def old(tmp_path_factory):
    """The campaign that most others are compared with; nobody writes into it."""
    return made(campaigns.campaign(tmp_path_factory.mktemp("plain"), devices=(("rowan", 1.0),), extra=UNSMOOTHED))


def louder(name, step, device="rowan"):
    """Add decibels to one raw file."""

    def edit(raw):
        path = raw / device / name
        head, *rows = path.read_text().splitlines()
        split = (row.split(",") for row in rows)
        path.write_text("\n".join([head, *(f"{f},{float(level) + step:.3f}" for f, level in split)]) + "\n")

    return edit


def found(explanation, device="rowan", file=None):
    """Findings of a device by name, of one file or of all."""
    (one,) = (one for one in explanation.devices if one.device == device)
    return {f.difference.name: f for f in one.differences if file is None or f.file == file}


def causes(explanation):
    return [(cause.kind, cause.name, cause.old, cause.new) for cause, _ in explanation.causes]


# Values.


@pytest.mark.parametrize(
    ("name", "direction"), [("rowan horizontal +20.csv", ("h", 20)), ("rowan vertical -60.csv", ("v", -60))]
)
def test_one_raw_file_one_decibel_louder(old, lab, name, direction):
    new = lab("new", louder(name, 1.0))
    explanation = explain(old, new)

    def louder_there(plane, angle):
        return written()(plane, angle) + ((plane, angle) == direction)

    before, after = expected(written()), expected(louder_there)
    curves = found(explanation, file="curves.nc")
    for curve in before:
        change = after[curve] - before[curve]
        assert (curve in curves) == (np.abs(change).max() > 0.01), curve
        if curve in curves:
            one = curves[curve].difference
            np.testing.assert_allclose(one.change, change, atol=2e-6)
            assert one.largest == pytest.approx(change[np.argmax(np.abs(change))], abs=2e-6)
            assert one.bands[0][0] == pytest.approx(FREQUENCY[np.abs(change) > 0.01][0], rel=1e-5)
            assert curves[curve].causes == (1,)
    # At low frequencies the source sounds alike all round: one of nine directions, or none, is a decibel up.
    if direction == ("h", 20):
        window = curves["listening_window"].difference
        assert window.change[0] == pytest.approx(10 * np.log10((8 + 10**0.1) / 9), abs=1e-3)
    (measured,) = (f for f in found(explanation, file="responses.nc").values())
    assert measured.difference.name == f"{'horizontal' if direction[0] == 'h' else 'vertical'} {direction[1]}°"
    assert measured.difference.largest == pytest.approx(1.0) and measured.difference.everywhere
    import hashlib

    (cause,) = causes(explanation)
    path = f"raw/rowan/{name}"
    hashes = [{path: hashlib.sha256((side / path).read_bytes()).hexdigest()} for side in (old, new)]
    assert cause == ("raw files", "raw/rowan", *hashes) and not explanation.causes_without_effect
    text = "\n".join(explanation_text(explanation))
    assert path in text and hashes[0][path][:16] in text and hashes[1][path][:16] in text


def test_the_rms_is_taken_over_the_logarithmic_axis(old, lab):
    explanation = explain(old, lab("new", louder("rowan horizontal +20.csv", 1.0)))
    one = found(explanation)["sound_power"].difference
    # On a grid of equal steps in log frequency the ends stand for half a step.
    share = np.ones(FREQUENCY.size)
    share[[0, -1]] = 0.5
    assert one.rms == pytest.approx(np.sqrt(np.average(one.change**2, weights=share)), rel=1e-5)


def test_the_rear_wall_of_a_cardioid(lab):
    cardioid = (("rowan", 0.0),)
    old = lab("old", devices=cardioid)
    new = lab("new", devices=cardioid, extra="derivation: {rear_wall: all, smoothing: null}\n")
    explanation = explain(old, new)
    curves = found(explanation)
    # A cardioid has early reflections of -1.929 dB re axis with three rear directions, -2.066 dB with nineteen.
    assert curves["early_reflections"].difference.largest == pytest.approx(-2.066 + 1.929, abs=1e-3)
    assert curves["early_reflections"].difference.everywhere
    assert set(curves) == {
        *("rear_wall_bounce", "early_reflections", "early_reflections_horizontal", "in_room"),
        *("early_reflections_index", "early_reflections_index_horizontal"),
    }
    assert causes(explanation) == [("parameter", "rear_wall", "three", "all")] and not explanation.causes_without_effect
    assert "[1] parameter derivation.rear_wall: three → all" in "\n".join(explanation_text(explanation))


def test_another_smoothing(lab):
    old, new = lab("old", extra="derivation: {smoothing: null}\n"), lab("new", extra="derivation: {smoothing: 1}\n")
    explanation = explain(old, new)
    level = written()("h", 0)
    power = 10 ** (level / 10)
    # One octave is four steps of the grid: the trapezoidal rule over five samples, away from the ends.
    mean_power = (power[:-4] / 2 + power[1:-3] + power[2:-2] + power[3:-1] + power[4:] / 2) / 4
    change = found(explanation)["on_axis"].difference.change[2:-2]
    np.testing.assert_allclose(change, 10 * np.log10(mean_power) - level[2:-2], atol=1e-4)
    assert causes(explanation) == [("parameter", "smoothing", None, 1)]
    assert "derivation.smoothing: none → 1" in "\n".join(explanation_text(explanation))


def test_another_distance_shifts_all_levels_and_no_index(old, lab):
    explanation = explain(old, lab("new", text=lambda text: text.replace("distance: 2", "distance: 4")))
    curves = found(explanation, file="curves.nc")
    assert len(curves) == 14 and all(f.difference.kind == "curve" for f in curves.values())
    for finding in curves.values():
        np.testing.assert_allclose(finding.difference.change, 20 * np.log10(2), atol=1e-9)
    assert causes(explanation) == [("parameter", "setup.distance", 2, 4)]
    text = "\n".join(explanation_text(explanation))
    assert re.search(r"All 14 curves +\+6\.021 dB +6\.021 dB +all frequencies +\[1\]", text)
    assert "72 of 72 measured directions differ; all by +6.021 dB" in text


def test_a_raised_version_of_a_method(lab, monkeypatch):
    monkeypatch.setattr(registry, "_registry", registry.methods())
    from anechain.acoustics.directivity.curve_averages import on_axis

    @registry.method("listening-window", version=2, title="The axis alone", source="none")
    def axis_alone(orbits):
        return on_axis(orbits)

    old = lab("old", extra="method_versions: {listening-window: 1}\n")
    new = lab("new")
    explanation = explain(old, new)
    before = expected(written())
    curves = found(explanation, file="curves.nc")
    np.testing.assert_allclose(
        curves["listening_window"].difference.change, before["on_axis"] - before["listening_window"], atol=2e-6
    )
    assert curves["listening_window"].method == ("listening-window@1", "listening-window@2")
    indices = {name for name in before if "_index" in name}
    assert set(curves) == {"listening_window", "in_room"} | indices
    assert {f.causes for f in curves.values()} == {(1,)}
    assert causes(explanation) == [("method", "listening-window", 1, 2)] and not explanation.causes_without_effect
    assert "[1] method listening-window: version 1 → 2 (The axis alone)" in explanation_text(explanation)[7]


# Several causes.


def test_two_causes_at_once_are_told_apart_where_they_can_be(old, lab):
    new = lab("new", louder("rowan vertical -60.csv", 1.0), extra="derivation: {rear_wall: all, smoothing: null}\n")
    explanation = explain(old, new)
    assert [cause[0] for cause in causes(explanation)] == ["parameter", "raw files"]
    curves = found(explanation, file="curves.nc")
    # 60 degrees down is none of the early reflections' directions, and no wall is in the sound power.
    assert {name: f.causes for name, f in curves.items()} == {
        **dict.fromkeys(("rear_wall_bounce", "early_reflections", "early_reflections_horizontal"), (1,)),
        **dict.fromkeys(("early_reflections_index", "early_reflections_index_horizontal"), (1,)),
        **dict.fromkeys(("sound_power", "sound_power_vertical"), (2,)),
        **dict.fromkeys(("sound_power_index", "sound_power_index_vertical"), (2,)),
        "in_room": (1, 2),
    }
    (row,) = (line for line in explanation_text(explanation) if "in-room" in line)
    assert row.endswith("[1] and [2], not separable")
    described = {one["name"]: one for one in explanation_json(explanation)["devices"][0]["differences"]}
    assert described["sound_power"]["cause_is_certain"] and not described["in_room"]["cause_is_certain"]


def test_words_of_the_import_reach_no_curve(old, lab):
    new = lab(
        "new",
        louder("rowan horizontal +0.csv", 1.0),
        lambda text: text.replace("title: Rowan", "title: Rowan the second").replace("[80, 16000]", "[90, 16000]"),
    )
    # The vertical orbit's axis has to agree.
    louder("rowan vertical +0.csv", 1.0)(new / "raw")
    made(new / "campaign.yaml")
    explanation = explain(old, new)
    assert [cause[0] for cause in causes(explanation)] == ["raw files"]
    assert {cause.name for cause, _ in explanation.causes_without_effect} == {"title", "setup.valid_band"}
    assert found(explanation)["on_axis"].difference.largest == pytest.approx(1.0)


def test_words_of_the_import_change_no_curve(old, lab):
    more = "reference_axis: tweeter, environment: hall, microphone: half inch, temperature: 21, pressure: 101"
    new = lab("new", text=lambda text: text.replace("drive: 2.83, valid_band: [80, 16000]", f"drive: 2.83, {more}"))
    explanation = explain(old, new)
    assert not explanation.differs and not explanation.causes
    named = {pair.split(":")[0] for pair in more.split(", ")} | {"valid_band"}
    assert {cause.name for cause, _ in explanation.causes_without_effect} == {f"setup.{name}" for name in named}


def test_software_is_a_possible_cause_only(old, lab, monkeypatch):
    louder_old = lab("louder_old", louder("rowan horizontal +20.csv", 1.0))
    monkeypatch.setattr(receipts, "_software", lambda: (("anechain", "0.0.9"), ("numpy", "1.0")))
    same, new = lab("same"), lab("new", louder("rowan horizontal +20.csv", 1.0))
    explanation = explain(old, same)
    assert not explanation.differs and not explanation.causes
    assert ("numpy", "1.0") in {(one.name, one.new) for one in explanation.software}
    text = "\n".join(explanation_text(explanation))
    assert "No value differs. 5 files are not" in text and "→ 1.0" in text
    explanation = explain(old, new)
    assert [cause[0] for cause in causes(explanation)] == ["raw files"]
    assert "only a possible cause" in "\n".join(explanation_text(explanation))
    # With the same inputs and methods nothing else is left.
    curves = new / "results" / "rowan" / "curves.nc"
    write_other_values(curves)
    explanation = explain(louder_old, new)
    assert found(explanation)["on_axis"].causes == ()
    assert any(line.endswith("software?") for line in explanation_text(explanation))


def write_other_values(path):
    """The same receipt over other values, as a silent change of the code would leave them."""
    from anechain.data.store import read_dataset, read_receipt, write_dataset

    receipt = read_receipt(path)
    dataset = read_dataset(path)
    dataset["level"] = dataset["level"] + 0.5
    write_dataset(path, dataset, {name: receipt[name] for name in ("receipt", "stamp", "steps")})


def test_values_that_no_receipt_explains(old, lab):
    new = lab("new")
    write_other_values(new / "results" / "rowan" / "curves.nc")
    explanation = explain(old, new)
    assert explanation.differs and not explanation.causes and not explanation.software
    assert any(line.endswith("unknown: the receipts do not differ") for line in explanation_text(explanation))


def test_an_altered_file_is_a_cause_of_its_own(old, lab):
    import netCDF4

    new = lab("new")
    with netCDF4.Dataset(new / "results" / "rowan" / "curves.nc", "a") as file:
        file["level"][0, :] += 1.0
    explanation = explain(old, new)
    ((kind, name, _, why),) = causes(explanation)
    assert (kind, name) == ("file", "NEW rowan/curves.nc") and "content does not match" in why
    assert set(found(explanation)) == {"on_axis"}
    assert "NEW rowan/curves.nc was altered: the content" in "\n".join(explanation_text(explanation))


# Devices, gaps, files.


def test_identical_folders(lab):
    old, new = lab("old", whole=["compare"]), lab("new", whole=["compare"])
    explanation = explain(old, new)
    assert not explanation.differs and explanation.different_files == 0 and explanation.identical_files > 8
    assert explanation_text(explanation)[-1].startswith("Nothing differs:")
    assert explain(old / "results", new).identical_files == explanation.identical_files
    assert explanation_json(explanation)["differs"] is False


def test_words_change_bytes_and_no_value(lab):
    stages = ["compare", "report"]
    old = lab("old", whole=stages)
    new = old.with_name("new")
    shutil.copytree(old, new)
    file = new / "campaign.yaml"
    file.write_text(file.read_text().replace("Trial halls", "Other halls"))
    made(file, stages)
    explanation = explain(old, new)
    assert not explanation.differs and explanation.different_files == 2  # the campaign's file and the page
    assert [(cause.kind, cause.name) for cause, _ in explanation.causes_without_effect] == [("presentation", "title")]
    text = "\n".join(explanation_text(explanation))
    assert "No value differs. 2 files are not identical byte for byte." in text
    assert "texts and figures: title: Trial halls → Other halls" in text


def test_a_device_on_one_side_only(lab):
    both = (("rowan", 1.0), ("alder", 0.6))
    old, new = lab("old", devices=both), lab("new")
    explanation = explain(old, new)
    assert explanation.differs and set(explanation.only_old) == {"alder"} and not explanation.only_new
    assert found(explanation) == {}
    text = "\n".join(explanation_text(explanation))
    assert "Only in OLD: alder (the campaign in NEW does not name it)" in text
    assert "No value differs: rowan" in text
    assert set(explain(new, old).only_new) == {"alder"}


def test_what_differs_in_the_comparison_only(lab):
    def relative_alder(text):
        rowan, alder = text.split("  alder:")
        return f"{rowan}  alder:{alder.replace('level_kind: spl, distance: 2, drive: 2.83', 'level_kind: relative')}"

    both = (("rowan", 1.0), ("alder", 0.6))
    old = lab("old", text=relative_alder, devices=both, whole=["compare"])
    new = lab("new", whole=["compare"])
    # Beside a device of relative level all are aligned; alone, rowan keeps its level.
    explanation = explain(old, new)
    (finding,) = found(explanation, file="comparison.nc").values()
    assert finding.difference.name == "reference of the levels" and finding.difference.new == "dB re 20 µPa"
    assert causes(explanation) == [("parameter", "devices", ["rowan", "alder"], ["rowan"])]
    assert found(explanation, file="curves.nc") == {}
    assert any("in the comparison of all devices only" in line for line in explanation_text(explanation))


def test_a_device_that_failed_is_not_compared_by_what_an_earlier_run_left(lab):
    old, new = (
        lab("old", devices=(("rowan", 1.0), ("alder", 0.6))),
        lab("new", devices=(("rowan", 1.0), ("alder", 0.6))),
    )
    (new / "raw" / "alder" / "alder vertical +40.csv").write_bytes(b"")
    made(new / "campaign.yaml")
    assert (new / "results" / "alder" / "curves.nc").is_file()
    explanation = explain(old, new)
    assert explanation.only_old == {"alder": "it failed in NEW at ingest"}
    assert "alder failed at ingest" in "\n".join(explanation_text(explanation))


def test_a_gap_that_appears_and_one_that_closes(old, lab):
    new = lab("new", lambda raw: (raw / "rowan" / "rowan vertical -60.csv").unlink())
    gone = {"sound_power", "sound_power_vertical", "in_room", "sound_power_index", "sound_power_index_vertical"}
    for explanation, state in ((explain(old, new), "removed"), (explain(new, old), "added")):
        curves = found(explanation, file="curves.nc")
        assert {name: f.difference.state for name, f in curves.items()} == dict.fromkeys(gone, state)
        assert all(f.reason == "needs vertical -60°" or "needs vertical -60°;" in f.reason for f in curves.values())
        assert {f.causes for f in curves.values()} == {(1,)}
        ((kind, _, was, is_),) = causes(explanation)
        assert kind == "raw files" and len(was) == (state == "removed") and len(is_) == (state == "added")
    assert "1 raw file removed" in "\n".join(explanation_text(explain(old, new)))
    assert "1 raw file added" in "\n".join(explanation_text(explain(new, old)))


def test_renamed_files_are_said_to_be_the_same(old, lab):
    def rename(raw):
        (raw / "rowan" / "rowan vertical -60.csv").rename(raw / "rowan" / "rowan vertical 300.csv")

    explanation = explain(old, lab("new", rename))
    assert not explanation.differs
    assert "raw file renamed, with the same content" in "\n".join(explanation_text(explanation))


def test_relative_levels_are_compared_in_shape_only(old, lab):
    new = lab(
        "new",
        louder("rowan vertical -60.csv", 1.0),
        lambda text: text.replace("level_kind: spl, distance: 2, drive: 2.83", "level_kind: relative"),
    )
    explanation = explain(old, new)
    curves = found(explanation)
    assert curves["reference of the levels"].difference.old == "dB re 20 µPa"
    # On axis nothing changed, so the step of 6 dB for the distance is not seen; the sound power is.
    assert "on_axis" not in curves and "listening_window" not in curves
    before = expected(written())
    after = expected(lambda plane, angle: written()(plane, angle) + ((plane, angle) == ("v", -60)))
    np.testing.assert_allclose(
        curves["sound_power"].difference.change, after["sound_power"] - before["sound_power"], atol=2e-6
    )
    assert any("only shapes are compared" in line for line in explanation_text(explanation))


def test_a_coarser_grid_and_a_narrower_band(old, lab):
    def thin(raw):
        for path in (raw / "rowan").glob("*.csv"):
            head, *rows = path.read_text().splitlines()
            path.write_text("\n".join([head, *rows[4:-4:2]]) + "\n")

    new = lab("new", lambda raw: (louder("rowan horizontal +20.csv", 1.0)(raw), thin(raw)))
    explanation = explain(old, new)
    kept = FREQUENCY[4:-4:2]
    before = expected(written())
    after = expected(lambda plane, angle: written()(plane, angle) + ((plane, angle) == ("h", 20)))
    for side, other in ((explanation, 1), (explain(new, old), -1)):
        one = found(side)["listening_window"].difference
        np.testing.assert_allclose(one.frequency, kept, rtol=1e-5)
        change = (after["listening_window"] - before["listening_window"])[4:-4:2]
        np.testing.assert_allclose(one.change, other * change, atol=2e-6)
        (device,) = side.devices
        coarser = "NEW" if other == 1 else "OLD"
        assert any(
            f"from 125 to 8000 Hz only, at the {kept.size} frequencies of {coarser}, the coarser grid" in remark
            and "resample-log-frequency@1" in remark
            for remark in device.notes
        )


def test_tables_and_datasets_by_themselves(old, lab):
    new = lab("new", louder("rowan horizontal +20.csv", 1.0))
    files = [{end: side / "results" / "rowan" / f"curves.{end}" for end in ("nc", "csv")} for side in (old, new)]
    whole = found(explain(old, new), file="curves.nc")
    for a, b in (("csv", "csv"), ("nc", "csv"), ("nc", "nc")):
        explanation = explain(files[0][a], files[1][b])
        assert explanation.devices[0].device == "rowan"
        curves = found(explanation)
        assert set(curves) == set(whole)
        for name, finding in curves.items():  # a table has four decimals
            np.testing.assert_allclose(finding.difference.change, whole[name].difference.change, atol=1.1e-4)
        assert [cause[0] for cause in causes(explanation)] == ["raw files"]
    explanation = explain(files[0]["nc"], files[0]["csv"])
    assert not explanation.differs and "the same step" in explanation_text(explanation)[-1]
    measured = explain(old / "results" / "rowan" / "responses.nc", new / "results" / "rowan" / "responses.nc")
    assert set(found(measured)) == {"horizontal 20°"}


def test_a_folder_with_tables_only(lab):
    old, new = lab("old"), lab("new", louder("rowan horizontal +20.csv", 1.0))
    for side in (old, new):
        (side / "results" / "rowan" / "curves.nc").unlink()
    assert "listening_window" in found(explain(old, new))


def test_numbers_are_compared_by_name(tmp_path):
    def numbers(name, **changed):
        known = {
            "sensitivity": {"value": 86.012, "unit": "dB", "method": "sensitivity", "version": 1},
            "bandwidth": {"low": {"value": 52.0, "unit": "Hz"}, "high": {"value": 18_000.0, "unit": "Hz"}},
            "beam": {"value": None, "unit": "degree", "note": "not reached"},
            "points": {"value": [1.0, 2.0], "unit": "dB"},
        }
        path = tmp_path / name
        path.write_text(json.dumps(known | changed))
        return path

    old = numbers("old.json")
    explanation = explain(
        old,
        numbers(
            "new.json",
            sensitivity={"value": 86.018, "unit": "dB"},
            bandwidth={"low": {"value": 50.0, "unit": "Hz"}, "high": {"value": 18_000.0, "unit": "Hz"}},
            beam={"value": 90.0, "unit": "degree"},
        ),
    )
    (device,) = explanation.devices
    by_name = {f.difference.name: f.difference for f in device.differences}
    assert set(by_name) == {"bandwidth.low", "beam"}  # 0.006 dB are less than is looked for
    assert by_name["bandwidth.low"].largest == -2.0 and by_name["beam"].state == "added"
    text = "\n".join(explanation_text(explanation))
    assert "52 → 50 Hz  (−2.000 Hz)" in text and "has no readable receipt" in text
    assert explain(old, numbers("more.json", sensitivity={"value": 86.5, "unit": "dB"})).differs
    assert explain(old, numbers("unit.json", sensitivity={"value": 86.012, "unit": "dB re 20 µPa"})).differs
    assert not explain(old, numbers("again.json", sensitivity={"value": 86.012, "unit": "dB", "note": "x"})).differs


def test_another_uncertainty_of_a_number_is_a_difference(tmp_path):
    old, new = tmp_path / "old.json", tmp_path / "new.json"
    for path, uncertainty in ((old, None), (new, 0.4)):
        path.write_text(json.dumps({"sensitivity": {"value": 86.0, "unit": "dB", "uncertainty": uncertainty}}))
    ((finding,),) = [one.differences for one in explain(old, new).devices]
    assert finding.difference.name == "sensitivity.uncertainty" and finding.difference.state == "added"


def test_the_table_of_numbers_is_compared_device_by_device(tmp_path):
    head = "# receipt: {}\ndevice,device_title,quantity,heading,title,value,unit,uncertainty,reason\n"
    old, new = tmp_path / "old.csv", tmp_path / "new.csv"
    old.write_text(head + "yew,Yew,low,Range,Low,52,Hz,,\nelm,Elm,low,Range,Low,,Hz,,no data\n")
    new.write_text(head + "yew,Yew,low,Range,Low,50,Hz,1,\nelm,Elm,low,Range,Low,,Hz,,none\n")
    yew, elm = explain(old, new).devices
    assert [f.difference.name for f in yew.differences] == ["low", "low.uncertainty"] and elm.differences == ()
    assert yew.differences[0].difference.largest == -2.0
    new.write_text("device,device_title,quantity\nyew,Yew,low\n")
    with pytest.raises(InputError, match="not a complete table of numbers"):
        explain(old, new)


def test_peaks_in_the_table_are_not_compared_by_their_place(tmp_path):
    """The first of one side need not be the first of the other."""
    head = "device,device_title,quantity,heading,title,value,unit,uncertainty,reason\n"
    old, new = tmp_path / "old.csv", tmp_path / "new.csv"
    old.write_text(head + "yew,Yew,deviations.count,P,C,2,,,\nyew,Yew,deviations.1.centre,P,C,500,Hz,,\n")
    new.write_text(head + "yew,Yew,deviations.count,P,C,3,,,\nyew,Yew,deviations.1.centre,P,C,300,Hz,,\n")
    (yew,) = explain(old, new).devices
    assert [finding.difference.name for finding in yew.differences] == ["deviations.count"]


def test_another_uncertainty_in_the_table_of_curves_is_a_difference(tmp_path):
    old, new = tmp_path / "old.csv", tmp_path / "new.csv"
    for path, uncertainty in ((old, "0.3"), (new, "0.5")):
        rows = "".join(f"{hz},80.0,{uncertainty}\n" for hz in (100, 200, 400))
        path.write_text(
            "\ufeff# top\n# comment\nfrequency_Hz,on_axis_dB,on_axis_uncertainty_dB\n" + rows + "\n# receipt\n#: x\n"
        )
    ((finding,),) = [one.differences for one in explain(old, new).devices]
    assert finding.difference.name == "on_axis_uncertainty" and finding.difference.largest == pytest.approx(0.2)


def test_numbers_in_a_folder(lab):
    from anechain.data.store import read_receipt, sha256_file, write_artefact
    from anechain.receipts.canonical_json import canonical_json
    from anechain.receipts.receipt import Input, make_receipt

    sides = []
    for name, value, drive in (("old", 86.0, 2.83), ("new", 87.5, 2.0)):
        side = lab(name, text=lambda text, drive=drive: text.replace("drive: 2.83", f"drive: {drive}"))
        curves = side / "results" / "rowan" / "curves.nc"
        receipt = make_receipt("numbers", 1, {}, [Input("curves.nc", sha256_file(curves), read_receipt(curves))])
        bare = canonical_json({"sensitivity": {"value": value, "unit": "dB"}})
        write_artefact(side / "results" / "rowan" / "numbers.json", bare, receipt)
        sides.append(side)
    explanation = explain(*sides)
    finding = found(explanation)["sensitivity"]
    assert finding.difference.largest == 1.5 and finding.causes == (1,)
    assert causes(explanation) == [("parameter", "setup.drive", 2.83, 2)]


def test_what_counts_as_the_same_can_be_chosen(old, lab):
    new = lab("new", louder("rowan horizontal +20.csv", 0.1))
    window = 10 * np.log10((8 + 10**0.01) / 9)  # 0.0112 dB at low frequencies
    assert 0.01 < window < 0.012
    assert "listening_window" in found(explain(old, new))
    assert "listening_window" not in found(explain(old, new, 0.013))
    assert {"sound_power", "sound_power_index_vertical"} <= set(found(explain(old, new, 0.0)))
    assert not explain(old, new, 0.2).differs


# The figure.


def test_the_change_is_drawn_with_both_sides_in_its_receipt(old, lab, tmp_path):
    new = lab("new", louder("rowan vertical -60.csv", 1.0))
    explanation = explain_folders(old, new)
    for ending in ("vl.json", "svg", "png", "pdf"):
        path = tmp_path / f"change.{ending}"
        assert write_change(explanation, path)
        examined = check_receipt(path)
        assert examined.wrong == ()
        step = examined.receipt["steps"][examined.receipt["stamp"]]
        assert step["method"] == "explain"
        assert {entry["role"] for entry in step["inputs"]} >= {"old/rowan/curves.nc", "new/rowan/curves.nc"}
        assert {name for name in receipts.raw_inputs(examined.receipt) if name.endswith("vertical -60.csv")}
        assert str(tmp_path).encode() not in path.read_bytes()


def test_nothing_is_drawn_where_nothing_differs(old, tmp_path):
    assert not write_change(explain(old, old), tmp_path / "change.svg")
    assert not (tmp_path / "change.svg").exists()


# The command.


def run(*arguments):
    done = CliRunner().invoke(commands, ["explain", *map(str, arguments)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def test_the_exit_status_says_whether_a_value_differs(old, lab, tmp_path):
    new = lab("new", louder("rowan horizontal +20.csv", 1.0))
    assert run(old, old).exit_code == 0
    done = run(old, new, "--figure", tmp_path / "change.vl.json")
    assert done.exit_code == 1 and "Listening window" in done.output and (tmp_path / "change.vl.json").is_file()
    done = run(old, new, "--json")
    assert done.exit_code == 1 and json.loads(done.stdout)["causes"][0]["kind"] == "raw files"
    assert run(old, new, "--tolerance", "2").exit_code == 0
    done = run(old, old, "--figure", tmp_path / "none.svg")
    assert done.exit_code == 0 and "was not written" in done.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("old", "nowhere"), "no such file or folder"),
        (("old", "old/results/rowan/curves.nc"), "one is a folder"),
        (("old/results/rowan/curves.nc", "old/results/rowan/responses.nc"), "holds curves"),
        (("old/results/rowan/curves.nc", "old/campaign.yaml"), "cannot be compared"),
        (("old", "old/raw"), "holds no results"),
        (("old", "old", "--figure", "change.gif"), "has no suffix of a figure format"),
        (("old", "old", "--tolerance", "-1"), "not in the range"),
        (("old",), "Missing argument"),
        (("old/results/rowan/curves.nc", "cut.nc"), "cannot be read"),
        (("old/results/rowan/curves.csv", "cut.csv"), "not a complete table"),
        (("cut.json", "cut.json"), "cannot be read"),
    ],
)
def test_what_cannot_be_compared_is_said_with_status_2(old, monkeypatch, tmp_path, arguments, said):
    (tmp_path / "cut.nc").write_bytes((old / "results" / "rowan" / "curves.nc").read_bytes()[:3000])
    (tmp_path / "cut.csv").write_text("frequency_Hz,on_axis_dB\n100,loud\n")
    (tmp_path / "cut.json").write_text('{"a": ')
    (tmp_path / "old").symlink_to(old)
    monkeypatch.chdir(tmp_path)
    done = run(*arguments)
    assert done.exit_code == 2 and said in done.stderr and done.stdout == ""


def test_what_a_file_says_cannot_act_on_the_terminal(old, lab):
    new = lab("new", lambda raw: (raw / "rowan" / "rowan vertical -60.csv").unlink())
    import netCDF4

    with netCDF4.Dataset(new / "results" / "rowan" / "curves.nc", "a") as file:
        file.setncattr("title", "\x1b[2J")
        file.setncattr("gaps", json.dumps({"sound_power": "\x1b]0;x\x07\u202e"}))
    (new / "results" / "campaign.json").unlink()
    lines = explanation_text(explain(old, new))
    assert all(line.isprintable() for line in lines) and any("\\u001b" in line for line in lines)


def test_two_kinds_of_thing_are_refused(old, lab):
    with pytest.raises(InputError, match="holds no results"):
        explain(old, lab("new") / "raw")


def test_of_many_devices_the_rest_is_told_in_short(old):
    from anechain.audit.causes import Cause
    from anechain.audit.explanation import Explanation
    from anechain.data.changes import DeviceChange, Difference, ExplainedDifference

    devices, raw = [], []
    for number in range(1, 16):
        grid, name = np.array([100.0, 200.0]), f"d{number:02d}"
        one = Difference(
            "curve", "on_axis", "dB", frequency=grid, change=np.full(2, 0.1 * number), largest=0.1 * number
        )
        one = replace(one, largest_at=100.0, rms=0.1 * number, bands=((100.0, 200.0),), everywhere=True)
        devices.append(
            DeviceChange(name, name, (ExplainedDifference("curves.nc", one, "On axis", (number,)),), {"curve": 14})
        )
        raw.append((Cause("raw files", "raw", {f"raw/{name}.txt": "1" * 64}, {f"raw/{name}.txt": "2" * 64}), (name,)))
    explanation = Explanation(old, old, 0.01, tuple(devices), tuple(raw), (), (), {}, {}, 0, 15, (0, 0), (), ())
    lines = explanation_text(explanation)
    assert sum(line.startswith("  On axis") for line in lines) == 12
    assert "3 more devices, in short (all with --json):" in lines
    assert "  d02  1 of 14 curves differ, largest change: On axis, +0.200 dB  [2]" in lines
    assert "  and raw files of 3 more devices (all with --json)" in lines
    assert len(explanation_json(explanation)["devices"]) == len(explanation_json(explanation)["causes"]) == 15
