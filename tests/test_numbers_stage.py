"""Stage numbers on whole campaigns: sources in closed form in, published numbers out."""

import csv
import re

import numpy as np
import pytest

import physics
import real_loudspeaker
from anechain.acoustics.directivity.directions import orbit_vectors, unit_vectors
from anechain.acoustics.directivity.sphere import solid_angle_weights
from anechain.assemble import Curve, assemble_responses, assemble_sphere
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.campaign.target_file import read_target
from anechain.data import contract, store
from anechain.errors import InputError
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.figure_of_merit.impedance import NOT_MEASURED
from anechain.methods import versions
from anechain.receipts.canonical_json import parse_json
from anechain.receipts.receipt import raw_inputs
from anechain.registry.stages import DEVICE_STAGES
from anechain.report.number_table import number_rows
from anechain.running.dependencies import dependencies
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch, run_whole
from anechain.stages.derive import USES as DERIVE_USES
from anechain.stages.numbers import numbered
from campaigns import delimited_device

FREQUENCY = 1000 * 2.0 ** (np.arange(-156, 97) / 24)
"""Hz, 24 per octave, from 11 Hz to 16 kHz."""

UNSMOOTHED = Derivation(smoothing=None)
CORNER = 50.0
KA_3 = FREQUENCY[190]
"""Hz at which the piston has ka = 3; two octaves below, on the same grid, 0.75."""


def butterworth(frequency):
    """Second-order high-pass, half power at the corner; dB (CHECKS: |H|² = x^4 / (1 + x^4))."""
    x = (frequency / CORNER) ** 4
    return 10 * np.log10(x / (1 + x))


def piston_source(plane, angle):
    """A piston's directivity over a Butterworth high-pass; as an export at 2 m: 84 dB are 90.02 dB at 1 m."""
    level = [float(physics.level(physics.piston_directivity(3 * f / KA_3)(angle))) for f in FREQUENCY]
    return 84 + butterworth(FREQUENCY) + np.maximum(level, -120)


def tilted_source(plane, angle):
    """Falls by 1 dB per octave, alike in all directions."""
    return 84 - np.log2(FREQUENCY / 1000)


def write_campaign(folder, sources, extra="", device_extra=""):
    text = (
        f"anechain: 1\ntitle: Trial halls\nderivation: {{smoothing: null}}\nfigures: {{formats: []}}\n{extra}devices:\n"
    )
    for device, source in sources.items():
        raw = folder / "raw" / device
        raw.mkdir(parents=True)
        for plane in ("horizontal", "vertical"):
            for angle in physics.orbit_angles():
                rows = zip(FREQUENCY, source(plane, angle), strict=True)
                text_of = "".join(f"{f:.9g},{level:.6f}\n" for f, level in rows)
                (raw / f"{device} {plane} {angle:+.0f}.csv").write_text("frequency,level\n" + text_of)
        text += delimited_device(device, device.title()).replace("[80, 16000]", "[11, 16000]") + device_extra
    (folder / "campaign.yaml").write_text(text)
    return folder / "campaign.yaml"


def run_numbers(file):
    plan = prepare(file)
    for stage in DEVICE_STAGES[: DEVICE_STAGES.index("numbers") + 1]:
        for batch in plan.batches:
            run_batch(plan, stage, batch)
    return plan


def read(plan, device):
    return parse_json((plan.results / device / "numbers.json").read_text())


def value(document, id_):
    assert document[id_]["value"] is not None, document[id_]["reason"]
    return document[id_]["value"]


@pytest.fixture(scope="module")
def halls(tmp_path_factory):
    """Two sources, a target, and a line of the reviewer's own."""
    folder = tmp_path_factory.mktemp("halls")
    (folder / "target.txt").write_text("Hz dB\n20 10\n# corners\n20000\t0\n")
    extra = (
        "numbers:\n"
        "  targets: {listening_window: {file: target.txt, alignment_band: null}}\n"
        "  own_trends: {sound_power: {slope: -1.5, anchor_frequency: 1000, anchor_level: 90, reason: a hall's own}}\n"
        "  trends: {band: [250, 4000]}\n"
        "  preference: {last_band: whole}\n"
    )
    return run_numbers(write_campaign(folder, {"rowan": piston_source, "alder": tilted_source}, extra))


@pytest.fixture(scope="module")
def rowan(halls):
    return read(halls, "rowan")


@pytest.fixture(scope="module")
def alder(halls):
    return read(halls, "alder")


def test_every_number_tells_its_method_and_a_gap_its_reason(rowan):
    numbers = [rowan[id_] for id_ in rowan["order"]]
    assert len(numbers) > 80
    for one in numbers:
        assert one["method"] and one["version"] >= 1 and one["source"] and one["source_status"] and one["title"]
        assert (one["value"] is None) == bool(one["reason"])
        assert one["value"] is None or one["uncertainty"] is not None or one["uncertainty_reason"]


def test_sensitivity_is_the_level_of_the_source_referred_to_1_m(rowan):
    """84 dB at 2 m are 90.02 dB at 1 m; at 300 Hz the high-pass takes 0.003 dB, at 3 kHz nothing."""
    assert value(rowan, "level.sensitivity") == pytest.approx(84 + 20 * np.log10(2), abs=0.002)
    assert rowan["level.sensitivity"]["uncertainty_reason"] == "no uncertainty stated in the campaign"
    assert rowan["level.characteristic"]["reason"] == rowan["impedance.minimum"]["reason"] == NOT_MEASURED


@pytest.mark.parametrize(("drop", "ratio"), [("3", 1.0), ("6", 0.761039), ("10", 0.577350)])
def test_limits_of_a_butterworth_high_pass(rowan, drop, ratio):
    """Closed form x = (10^(dB/10) - 1)^(-1/4) with half power at the corner; 6.0000 and 10.0000 dB."""
    assert value(rowan, f"range.lower_{drop}") == pytest.approx(CORNER * ratio, rel=2e-3)
    (mark,) = rowan[f"range.lower_{drop}"]["marks"]
    assert mark["curve"] == "on_axis" and mark["low_hz"] == mark["high_hz"] == value(rowan, f"range.lower_{drop}")
    expected = 84 + 20 * np.log10(2) - (10 * np.log10(2) if drop == "3" else float(drop))
    assert mark["level_db"] == pytest.approx(expected, abs=0.01)
    assert ("half the power, 3.0103 dB" in rowan[f"range.lower_{drop}"]["note"]) is (drop == "3")
    assert "data end at 16000 Hz" in rowan[f"range.upper_{drop}"]["reason"]


def test_beam_of_a_piston(halls, rowan):
    """-6 dB at 47.499 degrees for ka = 3, never reached below ka = 2.21 (x = 2.2118): Beranek and Mellow, eq. 4.30."""
    dataset = store.read_dataset(halls.results / "rowan" / "directivity.nc")
    contract.validate(dataset, "directivity", "rowan")
    at = dataset.sel(frequency=KA_3, method="nearest")
    np.testing.assert_allclose(at["first"], 47.499, atol=0.5)
    low = dataset.sel(frequency=KA_3 / 4, method="nearest")
    assert np.isnan(low["first"]).all() and (low["state"] == 1).all()
    # A piston that radiates alike behind comes back.
    assert np.isnan(at["outermost"]).all() and (at["state"] == 2).all()
    high, low = rowan["beam.horizontal.2000_8000"], rowan["beam.horizontal.500_2000"]
    assert high["unit"] == "°" and low["value"] is None and "not reached" in low["reason"]
    # It narrows to 90 degrees where x = ka sin 45° = 2.2118.
    assert value(rowan, "beam.vertical.narrows") == pytest.approx(2.2118 / np.sin(np.pi / 4) / 3 * KA_3, rel=0.02)


def test_aim_of_a_source_that_is_flat_on_its_axis(halls, rowan):
    """A piston whose beam narrows is flattest on its axis: pointed at the listener."""
    assert value(rowan, "aim.toe_in") == 30 and value(rowan, "aim.axis.deviation") == pytest.approx(0, abs=1e-3)
    assert value(rowan, "aim.parallel.deviation") > 1
    aim = store.read_dataset(halls.results / "rowan" / "aim.nc")
    contract.validate(aim, "aim", "rowan")
    assert aim.attrs["best_toe_in"] == 30
    np.testing.assert_allclose(aim["off_axis"].sel(toe_in=[0, 10, 30]), [30, 20, 0])
    expected = piston_source("horizontal", 20.0) + 20 * np.log10(2)
    np.testing.assert_allclose(aim["level"].sel(toe_in=10), expected, atol=1e-3)


def test_slope_of_a_tilt(alder):
    for curve in ("on_axis", "listening_window", "early_reflections", "in_room"):
        assert value(alder, f"trend.{curve}.slope") == pytest.approx(-1, abs=1e-4)
        assert value(alder, f"trend.{curve}.deviation") == pytest.approx(0, abs=1e-4)
    # A tilt of s dB per octave has a narrow-band deviation of 0.125 |s|, and r² = 1.
    assert value(alder, "preference.nbd_on_axis") == pytest.approx(0.125, abs=1e-4)
    assert value(alder, "preference.smoothness") == pytest.approx(1, abs=1e-5)
    assert value(alder, "linearity.on_axis.100_10000.plus_minus") == pytest.approx(np.log2(100) / 2, abs=1e-4)
    assert value(alder, "directivity.sound_power_index.mean") == pytest.approx(0, abs=1e-5)
    assert value(alder, "deviations.count") == 0 and alder["deviations"] == []


def test_the_reviewers_own_line_and_its_reason(alder):
    """The tilt of -1 less a line of -1.5 dB per octave through 90 dB at 1 kHz: 0.02 + 0.5 per octave, +-2 octaves."""
    assert value(alder, "trend.sound_power.slope") == pytest.approx(-1, abs=1e-4)
    assert value(alder, "own_trend.sound_power.slope") == -1.5
    assert "a hall's own" in alder["own_trend.sound_power.slope"]["note"]
    offset = 84 + 20 * np.log10(2) - 90
    assert value(alder, "own_trend.sound_power.largest") == pytest.approx(1 + offset, abs=1e-3)
    expected = np.sqrt(offset**2 + 0.5**2 * 2**2 / 3)
    assert value(alder, "own_trend.sound_power.deviation") == pytest.approx(expected, abs=1e-3)


def test_a_target_is_read_over_log_frequency_and_is_a_raw_input(halls, alder):
    """Ten decibels over three decades are 1.0034 dB per octave: hardly any tilt is left of -1, about a constant."""
    octaves = np.log2(np.array([250.0, 4000.0]))
    rest = 84 + 20 * np.log10(2) - (octaves - np.log2(1000)) - (10 - 10 * (octaves - np.log2(20)) / np.log2(1000))
    assert value(alder, "target.listening_window.largest") == pytest.approx(np.abs(rest).max(), abs=1e-3)
    receipt = store.read_receipt(halls.results / "alder" / "numbers.json")
    assert raw_inputs(receipt)["target.txt"] == store.sha256_file(halls.folder / "target.txt")
    assert receipt["steps"][receipt["stamp"]]["parameters"]["targets"]["listening_window"]["file"] == "target.txt"


def test_a_changed_target_is_another_plan(halls):
    before = dependencies(halls, "numbers")
    target = halls.folder / "target.txt"
    text = target.read_text()
    try:
        target.write_text(text + "30000 0\n")
        assert dependencies(halls, "numbers") != before
    finally:
        target.write_text(text)


def test_a_second_run_makes_nothing(halls):
    from anechain.stages.numbers import run

    assert not run(halls, "rowan").made


def test_the_table_of_all_devices_carries_a_receipt(halls, rowan):
    run_whole(halls, "compare")
    path = halls.results / "numbers.csv"
    assert store.read_receipt(path)
    lines = [line for line in path.read_text(encoding="utf-8-sig").split("\n") if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert {row["device"] for row in rows} == {"rowan", "alder"}
    own = {row["quantity"]: row for row in rows if row["device"] == "rowan"}
    of_one_peak = re.compile(r"deviations\.\d+\.")
    assert [id_ for id_ in own if not of_one_peak.match(id_)] == rowan["order"]
    assert len([id_ for id_ in own if of_one_peak.match(id_)]) == 8 * len(rowan["deviations"])
    for row in rows:
        assert bool(row["value"]) != bool(row["reason"])
        assert bool(row["value"]) == (bool(row["uncertainty"]) or bool(row["uncertainty_reason"]))
        assert row["method"] and row["version"] and row["source"] and row["source_status"]
    assert float(own["range.lower_6"]["value"]) == pytest.approx(value(rowan, "range.lower_6"))


def test_stated_uncertainties_reach_the_numbers(tmp_path):
    """A calibration good to 0.25 dB stays in the sensitivity, twice that with k = 2, and cancels in the limits."""
    extra = "uncertainty: {calibration: {value: 0.25}}\nnumbers: {uncertainty: {draws: 40}}\n"
    document = read(run_numbers(write_campaign(tmp_path, {"rowan": piston_source}, extra)), "rowan")
    one = document["level.sensitivity"]
    assert one["uncertainty"] == pytest.approx(0.5, rel=1e-6) and one["coverage_factor"] == 2
    for id_ in ("range.lower_6", "trend.on_axis.slope", "linearity.on_axis.100_10000.plus_minus"):
        assert document[id_]["uncertainty"] is None and "cancel in this number" in document[id_]["uncertainty_reason"]
    deviation = document["aim.axis.deviation"]
    assert deviation["uncertainty"] is None and "in all directions" in deviation["uncertainty_reason"]
    # What remains of a beam is interpolation over 10 degree steps: 0.025 of a step on each side is 1 degree with k = 2.
    beam = document["beam.horizontal.2000_8000"]
    assert 0.9 < beam["uncertainty"] < 5.0 and "interpolation between the angles" in beam["propagation"]


def test_an_angle_that_is_not_sure_makes_the_beam_unsure(tmp_path):
    """Half a degree at each of two directions that a beam's edge is read between: less than a degree of the edge."""
    extra = "uncertainty: {angle: {value: 0.5}}\nnumbers: {uncertainty: {draws: 60}}\n"
    plan = run_numbers(write_campaign(tmp_path, {"rowan": piston_source}, extra))
    document = read(plan, "rowan")
    coverage = document["beam.horizontal.2000_8000"]
    # Both edges, k = 2, and one error at all frequencies that share two directions.
    interpolation = interpolation_of(coverage["note"])
    assert interpolation < coverage["uncertainty"] < np.hypot(interpolation, 2 * np.sqrt(2) * 0.5) * 1.2
    assert "JCGM 101" in coverage["propagation"]
    directivity = store.read_dataset(plan.results / "rowan" / "directivity.nc")
    edge = directivity.sel(plane="horizontal", side="positive")
    half = (edge["first_high"] - edge["first_low"]).values / 2
    assert 1.2 * 0.5 * np.hypot(0.5, 0.5) < np.nanmedian(half) < 3.0
    inside = (edge["first_low"] <= edge["first"]) & (edge["first"] <= edge["first_high"])
    assert inside.values[np.isfinite(half)].mean() > 0.98


# Without a campaign around them.


def datasets(source=tilted_source, planes=("horizontal", "vertical"), kind="spl", frequency=FREQUENCY, **more):
    curves = [Curve(p, a, frequency, source(p, a)) for p in planes for a in physics.orbit_angles()]
    responses = assemble_responses(curves, [])
    responses.attrs.update(
        device="rowan", title="Rowan", level_kind=kind, importer="x", importer_version="1", import_report=""
    )
    responses = contract.describe(responses, "responses")
    options = {
        "early_reflections_total": "reflection_groups",
        "rear_wall": "three",
        "smoothing": None,
        "interpolate_angles": False,
        "methods": versions(DERIVE_USES),
    }
    return {"responses": responses, "curves": curve_dataset(responses, more.get("sphere"), options), **more}


def numbers_of(given, options=None, own=None):
    return {one.id: one for one in numbered(options or Numbers(), own or DeviceNumbers(), given, UNSMOOTHED).numbers}


def test_the_same_numbers_are_named_whatever_is_missing():
    whole, half = numbers_of(datasets()), numbers_of(datasets(planes=("horizontal",)))
    assert list(whole) == list(half)
    assert half["trend.sound_power.slope"].value is None and "vertical" in half["trend.sound_power.slope"].reason
    assert half["beam.vertical.2000_8000"].reason == "needs the vertical orbit"
    assert half["listening_height.up"].reason == "needs the vertical orbit"
    assert half["preference.rating"].value is None and half["level.sensitivity"].value is not None
    # One term of the predictor needs the axis alone.
    assert half["preference.nbd_on_axis"].value == pytest.approx(whole["preference.nbd_on_axis"].value)
    assert "vertical" in half["preference.lfx"].reason and "vertical" in half["preference.rating"].reason


def test_relative_levels_have_no_sensitivity_and_everything_else():
    absolute, relative = numbers_of(datasets()), numbers_of(datasets(kind="relative"))
    assert relative["level.sensitivity"].value is None and "relative" in relative["level.sensitivity"].reason
    assert relative["trend.on_axis.slope"].value == absolute["trend.on_axis.slope"].value


def test_a_drop_of_3_db_says_whether_it_is_half_the_power():
    for option, words in (("half power", "half the power, 3.0103 dB"), ("3.000 dB", "3 dB is 3.000 dB")):
        found = numbers_of(datasets(piston_source), Numbers(bandwidth={"three_db": option}))
        for id_ in ("range.lower_3", "range.in_room.lower_3"):
            assert words in found[id_].note
        assert words not in found["range.effective.lower_10"].note


def test_more_level_changes_the_sensitivity_alone():
    quiet = numbers_of(datasets(piston_source))
    loud = numbers_of(datasets(lambda plane, angle: piston_source(plane, angle) + 7.3))
    assert loud["level.sensitivity"].value == pytest.approx(quiet["level.sensitivity"].value + 7.3)
    for id_, one in quiet.items():
        if id_ != "level.sensitivity" and isinstance(one.value, float):
            assert loud[id_].value == pytest.approx(one.value, rel=1e-6, abs=1e-6), id_


def test_the_rating_has_one_decimal_and_its_limits_beside_it():
    rating = numbers_of(datasets(piston_source))["preference.rating"]
    assert rating.value == round(rating.value, 1) and "70 loudspeakers" in rating.note and "recalled" in rating.note


def test_the_valid_band_bounds_every_number():
    given = datasets(piston_source)
    given["curves"].attrs.update(valid_low=60.0, valid_high=9000.0)
    found = numbers_of(given)
    assert "data end at" in found["range.lower_3"].reason
    assert "not across" in found["linearity.on_axis.100_10000.plus_minus"].reason


def test_the_spread_of_takes_alone_is_no_uncertainty_of_a_level_but_of_an_index():
    given = datasets(piston_source)
    level = given["responses"]["level"]
    given["responses"] = given["responses"].assign(
        level_std=(level.dims, np.full(level.shape, 0.3)), takes=(level.dims[:2], np.full(level.shape[:2], 3))
    )
    found = numbers_of(given)
    assert found["level.sensitivity"].uncertainty is None
    assert "uncertainty would be too small" in found["level.sensitivity"].uncertainty_reason
    assert found["directivity.sound_power_index.mean"].uncertainty > 0


def test_a_valid_band_that_ends_between_two_samples_loses_no_number_of_that_band():
    given = datasets(tilted_source)
    grid = given["curves"]["frequency"].values
    after = int(np.searchsorted(grid, 200.0))
    # A hair's breadth above a sample: the next one is where the data would begin.
    given["curves"].attrs.update(valid_low=float(grid[after - 1] * 1.001), valid_high=16000.0)
    options = Numbers.model_validate({"trends": {"band": [float(grid[after - 1] * 1.001), 4000.0]}})
    found = numbers_of(given, options)
    assert found["trend.on_axis.slope"].value == pytest.approx(-1.0, abs=0.01)


def test_a_resonance_in_all_directions_is_listed_with_its_place_and_cause():
    """Peaking section of the W3C note: 4 dB, Q = 4 at 1.2 kHz on a flat source, alike everywhere."""
    from filters import biquad

    shape = physics.level(biquad(1200.0, 4.0, 4.0, FREQUENCY))
    made = numbered(Numbers(), DeviceNumbers(), datasets(lambda plane, angle: 80 + shape), UNSMOOTHED)
    (one,) = made.lists["deviations"]
    assert one["centre_hz"] == pytest.approx(1200, rel=0.01) and one["height_db"] == pytest.approx(4, abs=0.1)
    assert one["q"] == pytest.approx(4, rel=0.05) and one["cause"] == "resonance" and one["above_threshold"]
    assert one["radiates"] == "alike in all directions"
    assert one["method"] == "deviations" and one["version"] == versions(["deviations"])["deviations"]
    assert one["source"] and one["source_status"] and one["uncertainty_reason"]
    assert one["extreme_hz"] == pytest.approx(1200, rel=0.02) and one["marks"][0]["curve"] == one["curve"]
    assert one["height_uncertainty_db"] is None and one["height_uncertainty_reason"]
    rows = {row.id: row for row in number_rows(made.numbers, made.lists["deviations"])}
    assert rows["deviations.1.centre"].value == one["centre_hz"] and rows["deviations.1.centre"].unit == "Hz"
    assert (
        rows["deviations.1.plane"].value is None
        and rows["deviations.1.plane"].reason == "it is alike in all directions"
    )
    assert {"on_axis", "sound_power"} <= set(one["in_curves"]) and len(one["evidence"]) > 4
    deaf = Numbers.model_validate({"deviations": {"threshold_at_q_1": 0.0}})
    (one,) = numbered(deaf, DeviceNumbers(), datasets(lambda plane, angle: 80 + shape), UNSMOOTHED).lists["deviations"]
    assert not one["above_threshold"]


def test_an_echo_is_a_number_of_its_own():
    """Sound and its copy 0.3 m later, 20 dB down, in all directions: no row of resonances."""
    comb = physics.level(1 + 0.1 * np.exp(-2j * np.pi * FREQUENCY * 0.3 / 343.2))
    found = numbers_of(datasets(lambda plane, angle: 80 + comb))
    assert (found["deviations.count"].value, found["deviations.resonances"].value) == (0, 0)
    assert found["deviations.echoes"].value == 1 and "path 0.3 m longer" in found["deviations.echoes"].note
    assert found["deviations.echo_delay"].value == pytest.approx(300 / 343.2, rel=0.01)
    none = numbers_of(datasets(lambda plane, angle: 80 + 0 * comb))
    assert none["deviations.echoes"].value == 0 and none["deviations.echo_delay"].reason == "no echo was found"


@pytest.mark.parametrize(("height", "audible"), [(4.0, 1), (-4.0, 0)])
def test_only_peaks_like_a_resonance_count_as_heard(height, audible):
    """The threshold is that of added resonances (Toole and Olive 1988, recalled): dips are not held against it."""
    from filters import biquad

    shape = physics.level(biquad(1200.0, 4.0, height, FREQUENCY))
    found = numbers_of(datasets(lambda plane, angle: 80 + shape))
    assert (found["deviations.count"].value, found["deviations.resonances"].value) == (1, 1)
    assert found["deviations.audible_resonances"].value == audible
    assert found["deviations.audible_resonances"].uncertainty_reason == "a count"


def test_a_height_has_the_uncertainty_of_its_curve():
    """Errors alike at all frequencies leave a height as it is; those from take to take do not, the more the larger."""
    from filters import biquad

    shape = physics.level(biquad(1200.0, 4.0, 4.0, FREQUENCY))
    given = datasets(lambda plane, angle: 80 + shape)

    def listed(**stated):
        parts = {name: {"value": value, "kind": "standard"} for name, value in stated.items()}
        (one,) = numbered(few, DeviceNumbers(), given, UNSMOOTHED, stated=parts).lists["deviations"]
        return one

    # By first order: the draws are for other numbers.
    few = Numbers.model_validate({"uncertainty": {"draws": 20}})
    small, large = (listed(calibration=0.5, repeatability=value) for value in (0.3, 0.9))
    assert 0 < small["height_uncertainty_db"] < 0.6 and small["height_coverage_factor"] == 2
    assert large["height_uncertainty_db"] == pytest.approx(3 * small["height_uncertainty_db"], rel=0.1)
    alone = listed(calibration=0.5)
    assert alone["height_uncertainty_db"] is None and "cancel" in alone["height_uncertainty_reason"]


def test_choices_of_peaks_ratings_and_the_effective_range_are_followed():
    from filters import biquad

    shape = physics.level(biquad(1200.0, 4.0, 4.0, FREQUENCY))
    given = datasets(lambda plane, angle: 80 + shape - 8 * np.log2(np.maximum(FREQUENCY / 2000, 1)))
    narrow = Numbers.model_validate({"deviations": {"widest": 0.2}})
    assert numbers_of(given, narrow)["deviations.count"].value == 0
    # A slope of 8 dB per octave: a drop smaller by 4 dB ends the range half an octave lower.
    six = Numbers.model_validate({"bandwidth": {"effective_drop": 6.0, "effective_curve": "listening_window"}})
    ten, lower = numbers_of(given)["range.effective.upper_10"], numbers_of(given, six)["range.effective.upper_6"]
    assert lower.value == pytest.approx(ten.value / np.sqrt(2), rel=0.01) and "(listening window)" in lower.title


def test_numbers_of_an_impedance():
    """Modulus of a resistance in series with one parallel resonance: 6 ohm below and above, 30 ohm at 40 Hz."""
    import xarray as xr

    frequency = np.geomspace(10, 20000, 400)
    impedance = 6 + 24 / (1 + 4j * (frequency / 40 - 40 / frequency))
    data = xr.Dataset(
        {"magnitude": ("frequency", np.abs(impedance)), "phase": ("frequency", np.rad2deg(np.angle(impedance)))},
        coords={"frequency": frequency},
    )
    found = numbers_of(datasets(impedance=data))
    assert found["impedance.minimum"].value == pytest.approx(6.0, abs=0.01)
    assert found["impedance.rated"].value == 6.0  # 80 % of 6 are 4.8, of 8 are 6.4 ohm (IEC 60268-5, 16.1; recalled)
    assert found["impedance.phase_low"].value == pytest.approx(-found["impedance.phase_high"].value, abs=0.5)
    assert "single resonance" in found["impedance.tuning"].reason
    # 1 W into 6 ohm instead of 2.83 V: 20 lg(sqrt 6 / 2.83).
    step = 20 * np.log10(np.sqrt(6) / 2.83)
    assert found["level.characteristic"].value == pytest.approx(found["level.sensitivity"].value + step, abs=1e-6)
    claimed = numbers_of(datasets(impedance=data), own=DeviceNumbers(rated_impedance=8.0))
    assert "does not hold" in claimed["impedance.rated"].note
    assert "stated by the manufacturer" in claimed["level.characteristic"].note


def test_the_whole_sphere_of_a_cardioid():
    """True index 4.7712 dB; the two-orbit estimate of its power is 0.0916 dB high (closed forms)."""
    frequency = np.geomspace(100, 16000, 40)
    azimuth, elevation = (grid.ravel() for grid in np.meshgrid(np.arange(-170, 181, 10.0), np.arange(-80, 81, 10.0)))
    azimuth, elevation = np.r_[azimuth, 0, 0], np.r_[elevation, 90, -90]
    vectors = unit_vectors(azimuth, elevation)
    level = 80 + np.maximum(physics.level((1 + vectors[:, 0]) / 2), -300)
    weight = solid_angle_weights(vectors)
    sphere = assemble_sphere(azimuth, elevation, frequency, np.repeat(level[:, None], 40, axis=1), weight)

    def cardioid(plane, angle):
        return 80 + np.maximum(physics.level(physics.cardioid(angle)), -300) + np.zeros(40)

    given = datasets(cardioid, frequency=frequency, sphere=sphere)
    found = numbers_of(given)
    assert found["sphere.index"].value == pytest.approx(4.7712, abs=1e-3)
    assert found["sphere.two_orbit_error"].value == pytest.approx(4.7712 - 4.6796, abs=1e-3)
    made = numbered(Numbers(), DeviceNumbers(), given, UNSMOOTHED).datasets["directivity"]
    np.testing.assert_allclose(made["sphere_index"], 4.7712, atol=1e-3)


def test_numbers_of_a_real_loudspeaker():
    """True index by Parseval's theorem, and the two-orbit error, as computed apart from this project (open data)."""
    real = real_loudspeaker.load()
    listed = np.array([real.listed_index.get(float(f"{f:g}"), np.nan) for f in real.frequency])
    azimuth, elevation = (grid.ravel() for grid in np.meshgrid(np.arange(-175, 181, 5.0), np.arange(-85, 86, 5.0)))
    azimuth, elevation = np.r_[azimuth, 0, 0], np.r_[elevation, 90, -90]
    vectors = unit_vectors(azimuth, elevation)
    kept = ~np.isnan(real.levels(vectors[:1])[0])
    frequency = real.frequency[kept]
    sphere = assemble_sphere(azimuth, elevation, frequency, real.levels(vectors)[:, kept], solid_angle_weights(vectors))

    def source(plane, angle):
        return real.levels(orbit_vectors(plane, [angle]))[0][kept]

    found = numbers_of(datasets(source, frequency=frequency, kind="relative", sphere=sphere))
    inside = (frequency >= 300) & (frequency <= 10001)
    known = listed[kept]
    grid = np.geomspace(300, 10000, 2000)
    mean = np.interp(np.log(grid), np.log(frequency), known).mean()
    assert inside.sum() > 14 and found["sphere.index"].value == pytest.approx(mean, abs=0.1)
    error = np.interp(np.log(grid), np.log(frequency), real.curves["two_orbit_minus_true_power"][kept]).mean()
    assert found["sphere.two_orbit_error"].value == pytest.approx(error, abs=0.1)
    assert "octave apart" in found["deviations.count"].reason
    slope = np.polyfit(np.log2(frequency[inside]), real.curves["sound_power"][kept][inside], 1)[0]
    chosen = Numbers.model_validate({"trends": {"band": [float(frequency[inside][0]), float(frequency[inside][-1])]}})
    found = numbers_of(datasets(source, frequency=frequency, kind="relative"), chosen)
    assert found["trend.sound_power.slope"].value == pytest.approx(slope, abs=0.01)


# Target files.


@pytest.mark.parametrize("text", ["20,1\n200;2\n", "\ufeffFrequency level\n20 1\n\n200\t2\n", "# a\n20 1\n200 2.0\n"])
def test_targets_of_many_makes(tmp_path, text):
    (tmp_path / "t.txt").write_text(text, encoding="utf-8")
    target = Numbers.model_validate({"targets": {"on_axis": {"file": "t.txt"}}}).targets["on_axis"]
    frequency, level = read_target(tmp_path, target)
    assert frequency.tolist() == [20, 200] and level.tolist() == [1, 2]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("20 1\nx y\n200 2\n", "line 2"),
        ("20 1\n10 2\n", "line 2"),
        ("20 1 3\n30 2\n", "line 1"),
        ("20 1\n", "1 points"),
        ("20 1\n30 nan\n", "line 2"),
    ],
)
def test_a_wrong_target_is_refused_with_its_line(tmp_path, text, said):
    (tmp_path / "t.txt").write_text(text)
    target = Numbers.model_validate({"targets": {"on_axis": {"file": "t.txt"}}}).targets["on_axis"]
    with pytest.raises(InputError, match=said):
        read_target(tmp_path, target)


def test_all_targets_are_read_before_anything_is_done(tmp_path):
    """Every one that is wrong is named at once, and nothing is left behind."""
    extra = "numbers: {targets: {on_axis: {file: gone.txt}, in_room: {file: short.txt}}}\n"
    file = write_campaign(tmp_path, {"alder": tilted_source}, extra)
    (tmp_path / "short.txt").write_text("100 80\n")
    with pytest.raises(InputError) as refused:
        prepare(file)
    told = [(one.where, one.what) for one in refused.value.problems]
    assert told[0][0] == "gone.txt" and "cannot be read" in told[0][1]
    assert told[1] == ("short.txt", "1 points") and not (tmp_path / "results").exists()


def interpolation_of(note):
    return float(re.search(r"interpolation between the angles ±([0-9.]+)°", note).group(1))


@pytest.mark.parametrize("radius", [0.06, 0.08, 0.11])
def test_a_coverage_is_within_its_interpolation(radius):
    """A piston ends at asin(2.211785 / ka) on both sides; in steps of ten degrees, down to less than two steps."""
    ka = 2 * np.pi * FREQUENCY * radius / 343.2

    def piston(plane, angle):
        return 80 + np.array([float(physics.level(physics.piston_directivity(one)(angle))) for one in ka])

    options = Numbers(beam={"bands": [(2500.0, 8000.0)]})
    number = numbers_of(datasets(piston), options)["beam.horizontal.2500_8000"]
    band = np.geomspace(2500, 8000, 2000)
    closed = 2 * np.rad2deg(np.arcsin(2.211785 / (2 * np.pi * band * radius / 343.2))).mean()
    stated = interpolation_of(number.note)
    assert abs(number.value - closed) < stated < 5.0


def test_a_plateau_near_the_limit_is_a_range():
    """A subcardioid falls by less than 1 dB in 10 degrees where it is 6 dB down: 0.7 + 0.3 cos at 5.5 and 6.5 dB."""
    share = 0.7

    def subcardioid(plane, angle):
        return 85.0 + physics.level(physics.first_order(share)(angle)) + 0 * FREQUENCY

    number = numbers_of(datasets(subcardioid))["beam.horizontal.2000_8000"]
    note = number.note
    ends = [2 * np.rad2deg(np.arccos((10 ** (-drop / 20) - share) / (1 - share))) for drop in (5.5, 6.5)]
    assert "plateau at 100 % of the frequencies" in note
    interval = f"{ends[0]:.0f}° to {ends[1]:.0f}° with 0.5 dB less or more of drop"
    assert interval in note and number.uncertainty is None
    assert number.uncertainty_reason == f"plateau near the limit: {interval}"
    assert "interpolation between the angles ±1.0°" in note
    dipole = numbers_of(datasets(lambda plane, angle: 80 + 0 * FREQUENCY + physics.level(physics.dipole(angle))))
    assert "plateau" not in dipole["beam.horizontal.2000_8000"].note
