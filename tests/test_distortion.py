"""Stage distortion: harmonics in closed form, and a harmonic that noise hides, through the whole chain of a capture."""

import json

import numpy as np
import pytest

import capture_files
from anechain.campaign.distortion import DistortionOptions
from anechain.data import contract
from anechain.data.store import read_dataset, read_receipt
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.methods import versions
from anechain.running.manifests import entry_of
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch
from anechain.stages.distortion import USES, run
from anechain_capture.options import CaptureOptions
from anechain_capture.read import read
from campaigns import campaign
from distortion_data import FREQUENCY, captured_device, harmonics, orders_of


def found(data, **choices):
    result = distortion_dataset(
        data, DistortionOptions(**choices).model_dump(mode="json") | {"methods": versions(USES)}
    )
    contract.validate(result, "distortion", "rowan")
    return result


def at(result, variable, level, hz=1000.0, **where):
    return result[variable].sel(level=level, **where).sel(frequency=hz, method="nearest").item()


def test_a_take_as_measured():
    """At 86 dB the polynomial's orders stand at 20 lg(a A / 2) and 20 lg(b A^2 / 4) re the fundamental."""
    result = found(harmonics(), levels=(86.0,))
    one, two, three = orders_of(86.0)
    assert at(result, "harmonic", 86, order=2) == pytest.approx(two - one, abs=1e-9)
    assert at(result, "harmonic", 86, order=3) == pytest.approx(three - one, abs=1e-9)
    thd = np.sqrt(10 ** ((two - one) / 10) + 10 ** ((three - one) / 10))
    assert at(result, "percent", 86, sum="thd_f") == pytest.approx(100 * thd)
    assert at(result, "percent", 86, sum="thd_r") == pytest.approx(100 * thd / np.sqrt(1 + thd**2))
    assert at(result, "percent", 86, sum="second_third") == at(result, "percent", 86, sum="thd_f")
    assert np.isnan(at(result, "percent", 86, sum="fourth_up"))
    assert at(result, "noise", 86, order=2) == pytest.approx(-20 - 86)
    assert result["first_drive"].item() == pytest.approx(2.0) and np.isnan(result["second_drive"].item())
    assert not result["harmonic_limit"].any() and not result["sum_limit"].any()
    assert "as measured" in result.attrs["notes"] and "orders not measured: 4, 5, 6, 7, 8, 9" in result.attrs["notes"]


def test_by_default_the_levels_are_those_that_the_takes_reach():
    """Takes at 80, 86 and 92 dB reach 84 and 90 dB of 84, 90, 96, ...; both lie on the straight lines of the orders."""
    result = found(harmonics())
    assert result["level"].values.tolist() == [84.0, 90.0] and json.loads(result.attrs["gaps"]) == {}
    for level in (84.0, 90.0):
        one, two, _ = orders_of(level)
        assert at(result, "harmonic", level, order=2) == pytest.approx(two - one, abs=1e-9)
    quiet = found(harmonics((60.0, 70.0, 80.0)))
    assert "60.0 to 80.0 dB" in json.loads(quiet.attrs["gaps"])["84"]
    assert "set distortion.levels" in json.loads(quiet.attrs["gaps"])["84"]
    other = found(harmonics((60.0, 70.0, 80.0)), lowest_level=66.0)
    assert other["level"].values.tolist() == [66.0, 72.0, 78.0]


@pytest.mark.parametrize("level", [81.0, 83.0, 90.5])
def test_between_two_takes_the_closed_form_is_met_exactly(level):
    """Orders of a weak polynomial are straight lines in dB over dB, of slope n."""
    result = found(harmonics(), levels=(level,))
    one, two, three = orders_of(level)
    assert at(result, "fundamental", level) == pytest.approx(level, abs=1e-9)
    assert at(result, "harmonic", level, order=2) == pytest.approx(two - one, abs=1e-9)
    assert at(result, "harmonic", level, order=3) == pytest.approx(three - one, abs=1e-9)
    assert result["reached"].item() == level
    assert "in dB per dB" in result.attrs["notes"]


def test_levels_out_of_range_are_gaps_that_say_what_was_measured():
    result = found(harmonics(), levels=(70.0, 86.0, 96.0))
    gaps = json.loads(result.attrs["gaps"])
    assert set(gaps) == {"70", "96"} and "80.0 to 92.0 dB" in gaps["96"] and "extrapolated" in gaps["96"]
    for variable in ("harmonic", "percent", "reached", "fundamental"):
        assert np.isnan(result[variable].sel(level=96)).all()
    np.testing.assert_allclose(result["take_level"], [80, 86, 92])


@pytest.mark.parametrize(
    ("attrs", "word"),
    [({"level_kind": "relative"}, "relative"), ({"distance": None}, "distance to which the levels refer")],
)
def test_without_an_absolute_level_nothing_is_at_a_level(attrs, word):
    result = found(harmonics(**attrs))
    gaps = json.loads(result.attrs["gaps"])
    assert set(gaps) == {"84"} and word in gaps["84"]
    assert np.isnan(result["percent"]).all()


def test_orders_that_are_not_there():
    without = harmonics().isel(order=[1, 2])
    assert "fundamental" in json.loads(found(without).attrs["gaps"])["84"]
    alone = found(harmonics().isel(order=[0]))
    assert json.loads(alone.attrs["gaps"])["84"] == "no harmonic was measured"
    second = found(harmonics().isel(order=[0, 1]), levels=(86.0,))
    assert np.isnan(at(second, "percent", 86, sum="second_third"))
    assert np.isfinite(at(second, "percent", 86, sum="thd_f"))


def test_beyond_the_excitations_band_a_sum_holds_fewer_orders_and_then_none():
    result = found(harmonics(band=18000.0), levels=(86.0,))
    highest = result["highest_order"].sel(level=86)
    assert set(highest.values[FREQUENCY * 3 <= 18000]) == {3}
    assert set(highest.values[(FREQUENCY * 3 > 18000) & (FREQUENCY * 2 <= 18000)]) == {2}
    assert set(highest.values[FREQUENCY * 2 > 18000]) == {0}
    assert np.isnan(result["percent"].sel(level=86, sum="thd_f").values[FREQUENCY * 2 > 18000]).all()


def test_an_order_in_the_noise_is_a_limit_and_so_is_every_sum_with_it():
    """Order 3 at 86 dB stands at 45.8 dB: noise at 40 dB hides it, and not order 2 at 59.9 dB."""
    _, two, three = orders_of(86.0)
    assert three - 40 < 10 < two - 40
    result = found(harmonics(noise=40.0), levels=(86.0,))
    assert at(result, "harmonic_limit", 86, order=3) == 1 and at(result, "harmonic_limit", 86, order=2) == 0
    assert at(result, "harmonic", 86, order=3) > three - 86
    assert at(result, "sum_limit", 86, sum="thd_f") == 1
    least, most = (at(result, name, 86, sum="thd_f") for name in ("percent_least", "percent"))
    assert least == pytest.approx(100 * 10 ** ((two - 86) / 20)) and most > least
    # With the noise it is at least the noise, at most what THD is at most and the noise (powers add).
    lowest, highest = (at(result, name, 86, sum="orders_plus_noise") for name in ("percent_least", "percent"))
    hiss = 100 * 10 ** ((40 - 86) / 20)
    assert lowest == pytest.approx(np.hypot(least, hiss)) and highest == pytest.approx(np.hypot(most, hiss))
    assert at(result, "sum_limit", 86, sum="orders_plus_noise") == 1
    wide = found(harmonics(noise=40.0), levels=(86.0,), false_alarm_rate=0.999)
    assert not wide["harmonic_limit"].any()


def test_between_takes_a_limit_in_either_is_a_limit():
    """At 80 dB order 3 lies in the noise and at 86 dB above it: at 83 dB it is a limit."""
    data = harmonics(noise=30.0)
    assert found(data, levels=(86.0,))["harmonic_limit"].sum() == 0
    result = found(data, levels=(83.0,))
    assert at(result, "harmonic_limit", 83, order=3) == 1
    assert at(result, "harmonic", 83, order=3) >= orders_of(83.0)[2] - 83


def test_the_spread_of_repeats_is_noise_too():
    """A spread of 3 dB: sqrt(2) 3 / 8.686 of the amplitude, 6.2 dB below it, so the order is a limit."""
    data = harmonics(levels=(86.0,))
    spread = np.zeros(data["level"].shape)
    spread[:, 2] = 3.0
    data = data.assign(level_std=(data["level"].dims, spread))
    result = found(contract.describe(data, "harmonics"), levels=(86.0,))
    assert at(result, "harmonic_limit", 86, order=3) == 1 and at(result, "harmonic_limit", 86, order=2) == 0
    expected = orders_of(86.0)[2] + 20 * np.log10(np.sqrt(2) * 3 / 8.685890) - 86
    assert at(result, "noise", 86, order=3) == pytest.approx(expected, abs=1e-5)
    assert "spread of repeated takes" in result.attrs["notes"]


def test_unknown_noise_is_said_and_marks_nothing():
    result = found(harmonics(noise=np.nan), levels=(86.0,))
    assert "the noise is not known" in result.attrs["notes"] and not result["harmonic_limit"].any()


def test_a_peak_is_listed_with_possibilities():
    data = harmonics(levels=(86.0,))
    bump = 12 * np.exp(-((np.log2(FREQUENCY / 500) / 0.15) ** 2))
    data["level"][0, 2] = data["level"][0, 2] + bump
    [peak] = json.loads(found(data, levels=(86.0,)).attrs["peaks"])
    assert (peak["level"], peak["order"], peak["excitation_hz"], peak["heard_hz"]) == (86, 3, 500, 1500)
    assert peak["height_db"] == pytest.approx(12, abs=0.1) and len(peak["possible_causes"]) > 1


H3 = 2e-4
NOISE = 3e-3


@pytest.fixture(scope="module")
def buried(tmp_path_factory):
    """A sweep through T1 + 0.02 T2 + 0.0002 T3: harmonics h_n exactly, without noise and in noise over the third."""
    folder, played = tmp_path_factory.mktemp("buried"), capture_files.sweep()
    results = []
    for name, noise in (("quiet", 0.0), ("noisy", NOISE)):
        orders = np.array([0.0, 1.0, 0.02, H3])
        record = capture_files.record_loudspeaker(played, gain=0.2, orders=orders, noise=0.2 * noise, tail=2.0)
        path = capture_files.write(folder / name / "yew horizontal 0.wav", record)
        how = {"pattern": "yew {plane} {angle}.wav", "sweep": capture_files.LAW, "sensitivity": 20.0, "drive": 2.0}
        how |= {"window": {"before": 2, "after": 120, "fade": 40}, "harmonics": {"orders": 5}}
        data = read([path], CaptureOptions(**how)).harmonics
        about = {"importer": "capture", "importer_version": "1", "import_report": "", "distance": 1.0}
        data.attrs |= {"device": "yew", "title": "Yew", "level_kind": "spl"} | about
        data = contract.describe(data, "harmonics")
        contract.validate(data, "harmonics", "yew")
        level = 20 * np.log10(0.2 * 20 / np.sqrt(2) / 20e-6)
        results.append(found(data, levels=(round(level),), nearest=1.0).isel(level=0))
    return results


def expected_order(order, amplitude, frequency):
    own = capture_files.chain(order * frequency) / capture_files.chain(frequency)
    return 20 * np.log10(amplitude * np.abs(own))


def test_what_a_capture_without_noise_shows(buried):
    """h_2 and h_3 |H(n f)| / |H(f)|: within 0.1 dB and 0.5 dB, in 24 bits."""
    quiet, _ = buried
    frequency = quiet["frequency"].values
    told = (frequency > 100) & (frequency < 5000)
    for order, amplitude, within in ((2, 0.02, 0.1), (3, H3, 0.5)):
        # What whole numbers of 24 bits leave as noise hides a few points of the third order.
        value = told & (quiet["harmonic_limit"].sel(order=order).values == 0)
        assert value.sum() > 0.9 * told.sum()
        level = quiet["harmonic"].sel(order=order).values[value]
        np.testing.assert_allclose(level, expected_order(order, amplitude, frequency[value]), atol=within)


def test_a_harmonic_that_noise_hides_is_an_upper_limit_and_the_limit_holds(buried):
    """The third order is 20 dB and more below the noise: marked in 98 of 100 points, and below its limit in 95."""
    _, noisy = buried
    frequency = noisy["frequency"].values
    told = (frequency > 200) & (frequency < 5000)
    third = noisy["harmonic"].sel(order=3).values[told]
    marked = noisy["harmonic_limit"].sel(order=3).values[told] == 1
    truth = expected_order(3, H3, frequency[told])
    assert (noisy["noise"].sel(order=3).values[told] > truth).mean() > 0.9, "the fixture does not hide it"
    assert marked.mean() > 0.98
    assert (truth <= third)[marked].mean() >= 0.95
    limited = noisy["sum_limit"].sel(sum="thd_f").values[told] == 1
    assert limited[marked].all()
    # What the sum is at most, against the second order as read with the third as it is.
    second = noisy["harmonic"].sel(order=2).values[told]
    total = 100 * np.sqrt(10 ** (second / 10) + 10 ** (truth / 10))
    assert (total <= noisy["percent"].sel(sum="thd_f").values[told])[limited].mean() >= 0.95


def test_orders_that_do_not_exist_are_limits(buried):
    """Orders 4 and 5 of the polynomial are nothing at all: whatever is read is noise."""
    _, noisy = buried
    frequency = noisy["frequency"].values
    for order in (4, 5):
        told = (frequency > 200) & (order * frequency < 18000)
        assert (noisy["harmonic_limit"].sel(order=order).values[told] == 1).mean() > 0.98


@pytest.fixture
def captured(tmp_path):
    """A campaign of one captured device; gives a function that writes it for a level, with or without harmonics."""
    record = capture_files.record_loudspeaker(capture_files.sweep(), orders=capture_files.ORDERS)
    capture_files.write(tmp_path / "raw" / "yew horizontal 0 2V.wav", record)

    def written(level, harmonics=True):
        device = captured_device("yew", "Yew", harmonics=harmonics)
        head = f"anechain: 1\ntitle: Trial halls\ndistortion: {{levels: [{level}]}}\ndevices:\n"
        (tmp_path / "campaign.yaml").write_text(head + device)
        return prepare(tmp_path / "campaign.yaml")

    return written


def test_the_stage_in_a_campaign(captured):
    """Made once with a receipt that leads to the recording, kept, redone for another level, gone with its source."""
    plan = captured(103)
    for stage in ("ingest", "derive", "distortion"):
        run_batch(plan, stage, "0001")
    target = plan.results / "yew" / "distortion.nc"
    data = read_dataset(target)
    contract.validate(data, "distortion", "yew")
    assert data.attrs["environment"] == "Hall of the workshop" and data.attrs["valid_low"] == 50
    assert json.loads(data.attrs["gaps"]) == {}
    steps = read_receipt(target)["steps"].values()
    assert any(entry["role"] == "raw:raw/yew horizontal 0 2V.wav" for step in steps for entry in step["inputs"])
    assert not run(plan, "yew").made

    plan = captured(120)
    assert run(plan, "yew").made
    assert "nothing is extrapolated" in json.loads(read_dataset(target).attrs["gaps"])["120"]

    plan = captured(120, harmonics=False)
    for stage in ("ingest", "derive", "distortion"):
        run_batch(plan, stage, "0001")
    assert entry_of(plan, "distortion", "yew")["outputs"] == {} and not target.exists()


def test_devices_without_harmonics_have_no_output(tmp_path):
    plan = prepare(campaign(tmp_path))
    for stage in ("ingest", "derive"):
        run_batch(plan, stage, "0001")
    outcome = run(plan, "rowan")
    assert outcome.outputs == () and not outcome.made
    assert not (plan.results / "rowan" / "distortion.nc").exists()
