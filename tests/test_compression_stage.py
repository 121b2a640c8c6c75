"""Stage compression: a loudspeaker in closed form through the whole stage, its figures and its numbers."""

import json
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import nonlinear_speaker as model
from anechain.campaign.compression import CompressionOptions
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.campaign.usable_limits import UsableLimits
from anechain.data import contract
from anechain.data.store import read_dataset
from anechain.errors import InputError
from anechain.figure_of_merit.comparable_limits import comparable_limits
from anechain.figure_of_merit.compression import USES as NUMBER_USES
from anechain.figure_of_merit.compression import compression_numbers
from anechain.figure_of_merit.compression_dataset import compression_dataset
from anechain.figure_of_merit.fundamentals import compression_gap
from anechain.figure_of_merit.usable_limits import USES as LIMIT_USES
from anechain.figure_of_merit.usable_limits import usable_numbers
from anechain.figures import usable_limits
from anechain.figures.compression import compression_figure, drawable_figures
from anechain.figures.compression_levels import octave_levels_figure
from anechain.figures.compression_text import exceedance_texts
from anechain.figures.device_figures import device_figures
from anechain.figures.usable_limits import usable_comparison_figure, usable_figure
from anechain.methods import methods, versions
from anechain.registry.stages import DEVICE_STAGES
from anechain.report.compression import (
    compression_gaps,
    compression_notes,
    limits_caption,
    read_compression,
)
from anechain.running.manifests import entry_of
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch
from anechain.stages.compare_compression import compare_limits
from anechain.stages.compression import USES, run


def parameters(false_alarm_rate=0.001, orders=9, compression=None, **usable):
    return {
        "compression": CompressionOptions(**(compression or {})).model_dump(mode="json"),
        "usable_limits": UsableLimits(**usable).model_dump(mode="json"),
        "distortion": {"false_alarm_rate": false_alarm_rate, "orders": orders},
    }


def whole(harmonics=None, takes=None, **options):
    data = {name: one for name, one in (("harmonics", harmonics), ("takes", takes)) if one is not None}
    for name, one in data.items():
        contract.validate(one, name, name)
    assert compression_gap(data) == ""
    found = compression_dataset(data, parameters(**options))
    contract.validate(found, "compression", "willow")
    return found


@pytest.fixture(scope="module")
def willow():
    return whole(model.harmonics(), model.takes(), wanted_level=90.0)


def expected_delta(frequency, drive):
    """Closed form of the fundamental, numerator and heat, re the lowest drive."""
    return (
        model.order_levels(frequency, drive)[0]
        - model.order_levels(frequency, model.DRIVES[0])[0]
        - 20 * np.log10(drive / model.DRIVES[0])
    )


def test_the_methods_named_are_registered():
    assert versions({*USES, *NUMBER_USES, *LIMIT_USES}).keys() <= methods().keys()


def test_deltas_are_those_of_the_closed_form(willow):
    plain = whole(model.harmonics(), compression={"smoothing": None})
    for row, drive in enumerate(model.DRIVES):
        closed = expected_delta(model.FREQUENCY, drive)
        np.testing.assert_allclose(plain["delta"].values[row], closed, atol=1e-9)
        np.testing.assert_allclose(willow["delta"].values[row], closed, atol=0.02)  # smoothed over 1/6 octave
    # Above the bass all that is left is heat: -20 lg(1 + a dT), and the temperature it implies is the model's.
    heat = -20 * np.log10(1 + model.COPPER * model.warmth(16.0)) + 20 * np.log10(1 + model.COPPER * model.warmth(1.0))
    assert willow["level_change"].values[-1] == pytest.approx(heat, abs=0.005)
    cold, warm = (1 + model.COPPER * model.warmth(drive) for drive in (1.0, 16.0))
    assert willow["coil_rise"].values[-1] == pytest.approx((warm / cold - 1) / model.COPPER, rel=0.01)
    assert "possibility only" in willow.attrs["notes"]


def test_lowest_usable_frequencies_are_those_of_the_closed_form(willow):
    """From a fine grid of the model: the highest frequency at which distortion or compression is beyond its limit."""
    fine = np.geomspace(20, 10_000, 200_001)
    limit = np.interp(np.log(fine), np.log([100, 200]), np.log([10, 3]))
    for row, drive in enumerate(model.DRIVES):
        levels = model.order_levels(fine, drive)
        thd = np.sqrt(10 ** ((levels[1] - levels[0]) / 10) + 10 ** ((levels[2] - levels[0]) / 10)) * 100
        by_distortion, by_compression = np.log(thd) > limit, expected_delta(fine, drive) <= -1
        if not (by_distortion | by_compression).any():
            assert willow["ruled_by"].values[row] == "data end" and willow["lowest_usable"].values[row] == 20.0
            continue
        last = fine[np.flatnonzero(by_distortion | by_compression)[-1]]
        assert willow["lowest_usable"].values[row] == pytest.approx(last, rel=0.01)
        rule = "distortion" if by_distortion[np.flatnonzero(by_distortion | by_compression)[-1]] else "compression"
        assert willow["ruled_by"].values[row] == rule
    assert {"data end", "distortion", "compression"} == set(willow["ruled_by"].values)


def test_levels_and_take_over(willow):
    level = 85 + 20 * np.log10(16) - 20 * np.log10(1 + model.COPPER * model.warmth(16.0))
    assert willow["usable_level"].values[-1] == pytest.approx(level, abs=0.02)
    lowest = willow["lowest_usable"].values[-1]
    held = level + expected_delta(lowest, 16.0) - expected_delta(3000.0, 16.0) + model.response(lowest) - 85
    assert willow["held_level"].values[-1] == pytest.approx(held, abs=0.1)
    # 3 m and one device: -20 lg 3.
    np.testing.assert_allclose(
        willow["listening_level"].values, willow["held_level"].values - 20 * np.log10(3), atol=1e-9
    )
    assert willow["take_over"].values[-1] == pytest.approx(100.0) and np.isnan(willow["take_over"].values[0])
    assert 20 < willow.attrs["wanted_frequency"] < lowest


def test_devices_and_room_change_the_listening_level_only(willow):
    pair = whole(model.harmonics(), distance=6.0, devices=2, addition="coherent", longest_dimension=12.0)
    np.testing.assert_allclose(pair["held_level"].values, willow["held_level"].values)
    # -20 lg 6 + 20 lg 2, and at 85 Hz hardly any gain of a room whose lowest mode is at 14.3 Hz.
    step = pair["listening_level"].values[-1] - pair["held_level"].values[-1]
    assert step == pytest.approx(-9.5424, abs=0.01)
    assert "2 devices added coherently, the gain of a rigid, tight room 12 m long" in pair.attrs["conditions"]


def test_takes_tell_order_drift_and_recovery(willow):
    told = json.loads(willow.attrs["takes"])
    assert (told["order"], told["repeated_last"], told["drift"]["verdict"]) == ("rising", True, "within")
    assert [one["drive_v"] for one in told["long_term"]] == [16.0]
    moved = whole(model.harmonics(), model.takes(shift=(0, 0, 0, 0, 0, 0, -0.8)))
    drifted = json.loads(moved.attrs["takes"])["drift"]
    assert drifted["rms_db"] == pytest.approx(0.8, abs=1e-4) and drifted["verdict"] == "beyond"
    assert "drift: the first level, repeated last, differs by 0.80 dB r.m.s." in moved.attrs["notes"]
    np.testing.assert_allclose(moved["drift"].values, -0.8, atol=1e-9)
    falling = whole(model.harmonics(), model.takes(drives=(16.0, 4.0, 1.0)))
    assert "hides in the reference" in falling.attrs["notes"]
    assert "not repeated" in json.loads(falling.attrs["gaps"])["drift"]


def test_a_hot_repeat_joined_into_the_lowest_drive_does_not_shift_the_reference():
    """0.4 dB of heat in the level of the lowest drive would take as much off every compression."""
    joined = model.harmonics()
    joined["level"][{"drive": 0}] -= 0.4
    alone, with_takes = whole(joined), whole(joined, model.takes())
    expected = expected_delta(model.FREQUENCY, 16.0)
    np.testing.assert_allclose(with_takes["delta"].values[-1], expected, atol=0.02)
    np.testing.assert_allclose(alone["delta"].values[-1], expected + 0.4, atol=0.02)
    assert with_takes.attrs["made_of"] == "harmonics and takes"
    assert "the first take at each drive" in with_takes.attrs["notes"]
    # Takes of another kind of level are not put in.
    assert whole(joined, model.takes(level_kind="relative")).attrs["made_of"] == "harmonics"


def test_unequal_conditions_are_said():
    other = whole(model.harmonics(), model.takes(measured_distance=2.0, level_kind="relative"))
    assert "unequal conditions: measured distance is 2.0 of the takes, 1.0 of the harmonics" in other.attrs["notes"]
    assert "level kind is relative of the takes" in other.attrs["notes"]


def test_takes_alone_give_compression_but_no_usable_limits():
    found = whole(takes=model.takes())
    assert found.attrs["made_of"] == "takes" and found["drive"].values.tolist() == list(model.DRIVES)
    np.testing.assert_allclose(found["delta"].values[-1], expected_delta(model.FREQUENCY, 16.0), atol=0.02)
    assert "lowest_usable" not in found and "usable" in json.loads(found.attrs["gaps"])
    assert "the noise is not known" in found.attrs["notes"]


def test_noise_masks_and_is_not_taken_as_good():
    """60 dB of noise under an 85 dB device at 1 V: 25 dB is less than the 30.8 dB that half a decibel needs."""
    found = whole(model.harmonics(noise=60.0))
    assert np.isnan(found["delta"].values[1]).all() and (found["reason"].values[1] == 2).all()
    assert "noise dominates" in found.attrs["notes"] and drawable_figures(found) == ()
    assert set(found["ruled_by"].values) == {"not known"}


def test_outside_the_valid_band_nothing_is_said():
    found = whole(model.harmonics(valid_low=50.0, valid_high=5000.0))
    outside = (model.FREQUENCY < 50) | (model.FREQUENCY > 5000)
    assert np.isnan(found["delta"].values[:, outside]).all() and np.isfinite(found["delta"].values[:, ~outside]).all()
    first = model.FREQUENCY[~outside][0]
    assert (found["lowest_usable"].values[0], found["ruled_by"].values[0]) == (first, "data end")
    assert "(not measured, or outside the valid band): at 1 V, 2 V, 4 V, 8 V, 16 V" in found.attrs["notes"]


def test_relative_levels_have_no_listening_level():
    found = whole(model.harmonics(level_kind="relative"))
    assert np.isnan(found["listening_level"].values).all()
    assert "sound pressure levels" in json.loads(found.attrs["gaps"])["listening_level"]
    assert np.isfinite(found["lowest_usable"].values).all()


def test_gaps_are_named():
    assert "no harmonics and no takes" in compression_gap({})
    assert "two drives or more" in compression_gap({"harmonics": model.harmonics(drives=(2.83,))})
    assert compression_gap({"takes": model.takes(drives=(1.0, 1.0))}) != ""
    assert compression_gap({"harmonics": model.harmonics(drives=(2.83,)), "takes": model.takes()}) == ""


# Figures


def data_named(spec, name):
    found = [view["data"]["values"] for view in layers(spec) if view.get("data", {}).get("name") == name]
    return found[0]


def layers(spec):
    yield spec
    for key in ("vconcat", "layer"):
        for inner in spec.get(key, []):
            yield from layers(inner)


def words_of(spec):
    return json.dumps(spec, ensure_ascii=False)


def test_the_figure_of_deltas_leaves_masked_parts_out(willow):
    hidden = willow.copy(deep=True)
    hidden["delta"].values[2, :50] = np.nan
    (columns,) = data_named(compression_figure(hidden), "deltas")
    assert columns["drive_2"][:40] == [None] * 40 and columns["drive_2"][-1] is not None
    assert "drive_0" not in columns
    spec = compression_figure(willow)
    assert [one["delta"] for one in data_named(spec, "limits")] == [0.0, -0.5, -1.0, -3.0]
    assert "Local occupational rules and qualified practice decide." in words_of(spec).replace('", "', " ")


def test_the_figure_of_octave_levels_never_extrapolates(willow):
    entries = {entry["centre"]: entry for entry in data_named(octave_levels_figure(willow), "octaves")}
    assert entries[31.62]["kind"] == "passed" and entries[1000.0]["kind"] == "open"
    assert entries[1000.0]["level"] == pytest.approx(float(willow["octave_level"].values[-1, 5]), abs=0.01)
    assert 8 < float(entries[63.1]["words"].removesuffix(" V")) < 16


def test_the_figure_of_the_trade(willow):
    points = [point for point in data_named(usable_figure(willow), "trade") if point["line"] == "mean"]
    assert [point["lowest"] for point in points] == pytest.approx(willow["lowest_usable"].values.tolist(), rel=1e-4)
    assert [point["rule"] for point in points] == willow["ruled_by"].values.tolist()
    assert "Caution" in words_of(usable_figure(willow))


def test_what_cannot_be_drawn_is_refused(willow):
    alone = whole(takes=model.takes())
    assert drawable_figures(alone) == ("compression", "compression-levels")
    with pytest.raises(InputError, match="no usable limits"):
        usable_figure(alone)
    masked = whole(model.harmonics(noise=60.0))
    for draw in (compression_figure, octave_levels_figure, usable_figure):
        with pytest.raises(InputError):
            draw(masked)
    assert drawable_figures(willow) == ("compression", "compression-levels", "usable")


def test_bands_in_words(willow):
    said = exceedance_texts(willow)
    assert any(line.startswith("16 V: −1 dB exceeded up to") and "from 20 Hz or below" in line for line in said)


# Comparison


def other(**attributes):
    return whole(model.harmonics(device="rowan", title="Rowan 5", **attributes))


def test_devices_are_compared_under_equal_conditions_only(willow):
    titles = {"willow": "Willow 8", "rowan": "Rowan 5", "alder": "Alder 6", "hornbeam": "Hornbeam 4"}
    data = {"willow": willow, "rowan": other(), "hornbeam": other(level_kind="relative")}
    found = comparable_limits(data, titles)
    assert found.devices == ("willow", "rowan")
    assert found.left_out == (
        "Alder 6, since its fundamental was not measured at two drives",
        "Hornbeam 4, since its levels are relative",
    )
    short = comparable_limits({"willow": willow, "rowan": other(), "alder": other(valid_high=4000.0)}, titles)
    assert short.devices == ("willow", "rowan") and "judged up to" in short.left_out[0]
    elsewhere = comparable_limits({"willow": willow, "rowan": other(environment="a hall")}, titles)
    assert len(elsewhere.devices) == 1 and "another environment" in " ".join(elsewhere.left_out)
    far = comparable_limits({"willow": willow, "rowan": other(measured_distance=2.0)}, titles)
    assert far.devices == ("willow", "rowan") and "different distances" in far.notes[0]
    spec = usable_comparison_figure([data[device] for device in found.devices], found.left_out, found.notes)
    assert {point["line"] for point in data_named(spec, "trade")} == {"0", "1"}
    assert "Not compared: Alder 6, since its fundamental" in words_of(spec).replace('", "', " ").replace("     ", " ")


def test_too_many_devices_are_drawn_in_grey(willow, monkeypatch):
    monkeypatch.setattr(usable_limits, "MAX_NAMED_DEVICES", 1)
    spec = usable_comparison_figure([willow, willow], ())
    assert "too many for different colours" in words_of(spec)
    assert '"range": ["#999999", "#999999"]' in words_of(spec) and "Willow 8" not in words_of(spec)


# Numbers


def given_with(compression: xr.Dataset | None):
    from anechain.figure_of_merit.metric_inputs import gather
    from modelled_speaker import curves, log_frequencies, responses

    measured = responses(log_frequencies())
    held = np.ones((measured.sizes["plane"], measured.sizes["angle"]), dtype=np.int8)
    measured = measured.assign(measured=(("plane", "angle"), held))
    data = {"curves": curves(measured), "responses": measured}
    if compression is not None:
        data["compression"] = compression
    return gather(Numbers(), DeviceNumbers(), data, Derivation())


def numbers_of(compression):
    given = given_with(compression)
    return {one.id: one for one in (*compression_numbers(given), *usable_numbers(given))}


def test_numbers_say_what_the_dataset_says(willow):
    found = numbers_of(willow)
    assert found["compression.level_change"].value == pytest.approx(float(willow["level_change"].values[-1]))
    assert found["compression.drift"].value == pytest.approx(0.0, abs=1e-6)
    assert found["compression.octave_1000"].value is None
    assert "not reached up to 16 V" in found["compression.octave_1000"].reason
    assert (
        found["compression.octave_63"].unit == "dB" and "between measured drives" in found["compression.octave_63"].note
    )
    assert found["usable.lowest_16_v"].value == pytest.approx(float(willow["lowest_usable"].values[-1]))
    assert "compression exceeds its limit below" in found["usable.lowest_16_v"].note
    assert found["usable.loudest"].value == pytest.approx(float(willow["usable_level"].values[-1]))
    assert "qualified practice" in found["usable.loudest"].note
    assert found["usable.take_over"].value == pytest.approx(100.0)
    assert found["usable.wanted"].value == pytest.approx(willow.attrs["wanted_frequency"])
    rise = found["compression.coil_rise"]
    assert (
        rise.value is not None
        and rise.note.startswith("a possibility, not a measurement")
        and "rose by more" not in rise.note
    )
    # Nothing above the highest drive was measured: the loudest usable level is a lower limit, and no other is one.
    assert found["usable.loudest"].bound == "at least" and found["usable.held"].bound == ""
    assert "the highest measured drive" in found["usable.loudest"].note
    assert "300 to 3000 Hz" in found["usable.loudest"].note
    ends = [one for id_, one in found.items() if id_.startswith("usable.lowest_") and one.value is not None]
    assert all((one.bound == "at most") == ("not known" in one.note or "data end" in one.note) for one in ends)
    assert "reaches \N{MINUS SIGN}1 dB" in found["compression.octave_63"].title


@pytest.mark.parametrize("compression", [None, "takes", "masked", "relative"])
def test_numbers_that_cannot_be_had_are_gaps_with_a_reason(compression):
    made = {
        None: lambda: None,
        "takes": lambda: whole(takes=model.takes(drives=(1.0, 4.0))),
        "masked": lambda: whole(model.harmonics(noise=60.0)),
        "relative": lambda: whole(model.harmonics(level_kind="relative")),
    }[compression]()
    found = numbers_of(made)
    assert found["usable.listening"].value is None and found["usable.listening"].reason
    if compression in (None, "takes", "masked"):
        assert found["usable.loudest"].value is None and found["usable.take_over"].value is None
    if compression == "takes":
        assert "not repeated" in found["compression.drift"].reason
        assert found["compression.long_term"].reason and found["compression.level_change"].value < 0


# The whole chain

IMPORTER = """
from pathlib import Path

import nonlinear_speaker as model
from anechain.assemble import Curve, assemble_responses
from anechain.hooks import CERTAIN, NO, Description, Reading, Verdict, hookimpl


@hookimpl
def anechain_describe():
    return Description("Drives", "a drive in each line", "1")


@hookimpl
def anechain_identify(path):
    return Verdict(CERTAIN, "ends in .drives") if path.suffix == ".drives" else Verdict(NO, "ends otherwise")


@hookimpl
def anechain_read(paths, options):
    drives = tuple(float(line) for line in paths[0].read_text().split())
    frequency = model.FREQUENCY
    report = []
    curves = [
        Curve(plane, float(angle), frequency, model.response(frequency) + 9.0)
        for plane in ("horizontal", "vertical")
        for angle in range(-170, 181, 10)
    ]
    harmonics = model.harmonics(drives)
    harmonics.attrs = {"level_kind": "spl", "distance": 1.0}
    takes = model.takes((*drives, drives[0]))
    takes.attrs = {"level_kind": "spl", "distance": 1.0}
    return Reading(
        responses=assemble_responses(curves, report), report=tuple(report), harmonics=harmonics, takes=takes
    )
"""


def campaign_of_drives(folder, drives):
    (folder / "drives.py").write_text(IMPORTER)
    text = "anechain: 1\ntitle: Trial halls\nfigures: {formats: []}\nimporters: [drives.py]\ndevices:\n"
    for device, volts in drives.items():
        (folder / f"{device}.drives").write_text("\n".join(map(str, volts)))
        text += (
            f"  {device}:\n    title: {device.title()}\n    responses: {{files: [{device}.drives]}}\n"
            "    setup: {level_kind: spl, distance: 1, drive: 2.83}\n"
        )
    (folder / "campaign.yaml").write_text(text)
    return folder / "campaign.yaml"


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """The stages up to the compression, and no further: the figures of the whole chain take long."""
    folder = tmp_path_factory.mktemp("drives")
    file = campaign_of_drives(folder, {"willow": (1, 4, 8, 16), "rowan": (1, 8, 20), "alder": (2.83,)})
    plan = prepare(file, trust_importers=True)
    for stage in DEVICE_STAGES[: DEVICE_STAGES.index("compression") + 1]:
        for batch in plan.batches:
            run_batch(plan, stage, batch)
    return plan


def test_the_chain_makes_compression_where_there_are_two_drives(finished):
    for device in ("willow", "rowan"):
        compression = read_compression(finished, device)
        contract.validate(compression, "compression", device)
        assert drawable_figures(compression) == ("compression", "compression-levels", "usable")
    assert not (finished.results / "alder" / "compression.nc").exists()
    assert entry_of(finished, "compression", "alder")["outputs"] == {}


def test_the_page_says_what_there_is_and_what_is_missing(finished):
    (gap_,) = compression_gaps(finished, "alder", read_compression(finished, "alder"))
    assert gap_[0] == "Compression and usable limits" and gap_[1].endswith("it was measured at fewer")
    assert compression_notes(None) == []
    willow = read_compression(finished, "willow")
    data = {name: read_dataset(finished.results / "willow" / name) for name in ("curves.nc", "responses.nc")}
    captions = {one.name: one.caption for one in device_figures({**data, "compression.nc": willow})}
    captions = {name: captions[name] for name in ("compression", "compression-levels", "usable")}
    assert all("Local occupational rules" in caption for caption in captions.values())
    said = "\n".join(compression_notes(willow))
    assert "compression: at 16 V: −1 dB exceeded up to" in said
    assert "takes: drives in measuring order 1, 4, 8, 16, 1 V (rising)" in said
    assert "takes: time from start to start 60, 60, 60, 60 s" in said and "within the limit of 0.3 dB" in said
    assert (
        "takes: change of level after louder takes (after minus before) at 1 V: +0.00 dB (takes 1 and 5, 60 s)" in said
    )


def test_the_comparison_names_who_is_left_out(finished):
    paths, made = compare_limits(finished, ["willow", "rowan", "alder"])
    assert made and [path.name for path in paths] == ["comparison-usable.vl.json"]
    assert not compare_limits(finished, ["willow", "rowan", "alder"])[1]
    assert "Not compared: Alder, since its fundamental" in limits_caption(finished, ["willow", "rowan", "alder"])
    assert compare_limits(finished, ["willow", "alder"]) == ([], False) and not paths[0].exists()
    assert limits_caption(finished, ["willow", "alder"]) is None


def test_nothing_is_made_twice_and_what_is_gone_is_removed(finished):
    assert not run(finished, "willow").made
    entry = entry_of(finished, "ingest", "alder")["outputs"]
    assert {"alder/responses.nc", "alder/harmonics.nc", "alder/takes.nc"} <= set(entry)
    stale = finished.results / "alder" / "compression.nc"
    stale.write_bytes(b"left behind")
    assert run(finished, "alder").outputs == () and not stale.exists()


def test_a_choice_redoes_the_stage(finished):
    narrow = finished.campaign.model_copy(update={"usable_limits": UsableLimits(up_to=2000.0)})
    before = run(finished, "rowan")
    after = run(replace(finished, campaign=narrow), "rowan")
    assert before.stamp != after.stamp and after.made
    assert read_dataset(after.outputs[0])["judged_to"].values.max() <= 2000.0
    assert run(finished, "rowan").made  # and back


def joined_harmonics(takes):
    """Harmonics whose fundamentals are takes joined as the importer of recordings joins them."""
    data = model.harmonics()
    spread = np.full(data["level"].shape, np.nan)
    for row, drive in enumerate(data["drive"].values):
        levels = takes["level"].values[takes["drive"].values == drive]
        data["level"][{"drive": row, "order": 0}] = 10 * np.log10(np.mean(10 ** (levels / 10), axis=0))
        if len(levels) > 1:
            spread[row, 0] = np.std(levels, axis=0, ddof=1)
    return data.assign(level_std=(data["level"].dims, spread, {"units": "dB"}))


@pytest.mark.parametrize("per_take", [-0.3, -0.1, 0.1, 0.3])
def test_a_drift_is_removed_and_counts_as_no_noise(per_take):
    """0.1 dB of gain per take: without removal it is noise at the lowest drive, and masks all compression."""
    drives = (*model.DRIVES, 16.0, 1.0, 1.0)
    takes = model.takes(drives, shift=per_take * np.arange(len(drives)))
    harmonics = joined_harmonics(takes)
    found = whole(harmonics, takes)
    uncertainty = 2 * found["drift_uncertainty"].values[:, np.newaxis]
    expected = np.stack([expected_delta(model.FREQUENCY, drive) for drive in model.DRIVES])
    assert (found["reason"].values == 0).all()
    assert (np.abs(found["delta"].values - expected) <= uncertainty + 0.02).all() and uncertainty.max() < 0.8
    np.testing.assert_allclose(found["drift_removed"].values[-1], 4 * per_take, atol=uncertainty[-1, 0])
    assert "dB per take" in found.attrs["notes"] and "was removed" in found.attrs["notes"]
    told = json.loads(found.attrs["takes"])
    assert told["removed"]["verdict"] == "removed" and told["removed"]["reference_takes"] == [1, 7, 8]
    # The takes that follow each other, and the return, change by no more than the drift that is left.
    per_take_left = 2 * told["removed"]["per_take_standard_db"]
    assert abs(told["long_term"][0]["mean_db"]) <= per_take_left + 0.001
    assert abs(told["recovery"][0]["mean_db"]) <= 6 * per_take_left + 0.001
    numbers = numbers_of(found)
    removed = numbers["compression.drift_removed"]
    assert removed.value == pytest.approx(per_take, abs=removed.uncertainty) and removed.unit == "dB"
    assert "a drift of" in numbers["compression.level_change"].note
    assert numbers["compression.level_change"].value == pytest.approx(
        float(expected_delta(1000.0, 16.0)), abs=numbers["compression.level_change"].uncertainty
    )
    kept = whole(harmonics, takes, compression={"remove_drift": False})
    assert kept["delta"].values[-1] == pytest.approx(expected[-1] + 4 * per_take, abs=0.02)
    assert "drift: not removed: the campaign switches it off" in kept.attrs["notes"]
    assert "drift_removed" not in kept and "switches it off" in numbers_of(kept)["compression.drift_removed"].reason


def test_the_sign_of_a_change_between_takes_is_what_the_text_says():
    """The return take is 0.5 dB lower, and the coil explains it: after minus before is negative."""
    hot = model.takes(shift=(0, 0, 0, 0, 0, 0, -0.5), pause=15.0)
    number = numbers_of(whole(model.harmonics(), hot))["compression.recovery"]
    assert number.value == pytest.approx(-0.5, abs=0.01) and "after minus before" in number.title
    assert "negative: the later take is lower" in number.note


def test_why_a_drift_is_not_removed_is_said():
    without_return = whole(model.harmonics(), model.takes(drives=model.DRIVES))
    assert "drift: not removed: no drive was repeated after louder takes" in without_return.attrs["notes"]
    assert "no drive was repeated" in numbers_of(without_return)["compression.drift_removed"].reason
    alone = json.loads(whole(joined_harmonics(model.takes())).attrs["gaps"])["drift"]
    assert "counts as noise where takes at one drive were joined" in alone
