"""Distortion side by side: at equal levels and conditions only, of the orders that all have."""

import json

import numpy as np
import pytest

import capture_files
from anechain.audit.explain import explain
from anechain.audit.verify import verify
from anechain.campaign.distortion import DistortionOptions
from anechain.data import contract
from anechain.data.store import read_dataset
from anechain.figure_of_merit.distortion_comparison import distortion_comparison
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.figure_of_merit.fundamentals import NO_HARMONICS
from anechain.methods import versions
from anechain.stages.compare_distortion import compared_distortion_figures
from anechain.stages.distortion import USES
from campaigns import campaign
from distortion_data import FREQUENCY, captured_device, harmonics, orders_of
from finished_campaigns import run_all

LEVELS = (84.0, 86.0, 96.0)


def distortion(title, data, levels=LEVELS):
    choices = DistortionOptions(levels=levels).model_dump(mode="json") | {"methods": versions(USES)}
    found = distortion_dataset(data.assign_attrs(title=title), choices)
    contract.validate(found, "distortion", title)
    return found


def compared(titles=None, **devices):
    found = {device: distortion(device.title(), data) for device, data in devices.items()}
    result = distortion_comparison(found, titles or {device: device.title() for device in devices})
    contract.validate(result, "distortion-comparison", "comparison-distortion")
    return result


def closed_form(level):
    one, *others = orders_of(level)
    return 100 * np.sqrt(sum(10 ** ((other - one) / 10) for other in others))


def test_equal_devices_at_equal_levels():
    """One measured as it is at 84 dB, the other between 80 and 86 dB: both at the closed form."""
    result = compared(rowan=harmonics(), alder=harmonics((78.0, 84.0, 90.0)))
    row = result["percent"].sel(level=84).sel(frequency=1000, method="nearest")
    np.testing.assert_allclose(row, closed_form(84.0), rtol=1e-9)
    refused = json.loads(result.attrs["refused"])
    assert refused == {"84": {}, "86": {}}, "96 dB is reached by none"
    assert compared_distortion_figures(result) == {"comparison-distortion-84": 84.0, "comparison-distortion-86": 86.0}


def test_devices_are_compared_at_the_levels_that_several_reach():
    """Takes from 80 to 92, from 86 to 98, and from 95 to 107 dB: two share 90 dB, two share 96 dB."""
    takes = {"rowan": (80.0, 86.0, 92.0), "alder": (86.0, 92.0, 98.0), "hazel": (95.0, 101.0, 107.0)}
    found = {device: distortion(device.title(), harmonics(levels), None) for device, levels in takes.items()}
    assert [data["level"].values.tolist() for data in found.values()] == [
        [84.0, 90.0],
        [90.0, 96.0],
        [96.0, 102.0],
    ]
    result = distortion_comparison(found, {device: device.title() for device in found})
    contract.validate(result, "distortion-comparison", "comparison-distortion")
    assert list(compared_distortion_figures(result).values()) == [90.0, 96.0] == result["level"].values.tolist()
    refused = json.loads(result.attrs["refused"])
    assert set(refused["90"]) == {"hazel"} and "takes from 95.0 to 107.0 dB" in refused["90"]["hazel"]
    assert set(refused["96"]) == {"rowan"}
    for level, device in ((90, "rowan"), (90, "alder"), (96, "alder"), (96, "hazel")):
        row = result["percent"].sel(level=level, device=device).sel(frequency=1000, method="nearest")
        np.testing.assert_allclose(row, closed_form(float(level)), rtol=1e-9)


def test_devices_without_a_common_level_are_not_compared():
    found = {
        "rowan": distortion("Rowan", harmonics((80.0, 86.0)), None),
        "alder": distortion("Alder", harmonics((95.0, 101.0)), None),
    }
    result = distortion_comparison(found, {"rowan": "Rowan", "alder": "Alder"})
    assert compared_distortion_figures(result) == {}
    assert "takes from 95.0 to 101.0 dB" in json.loads(result.attrs["refused"])["84"]["alder"]


@pytest.mark.parametrize(
    ("other", "word"),
    [
        ({"level_kind": "relative"}, "relative"),
        ({"environment": "Yard"}, "Yard"),
        ({"environment": None}, "no stated environment"),
        ({"distance": 2.0}, "2 m"),
        ({"distance": None}, "distance"),
    ],
)
def test_what_is_not_alike_is_refused_with_the_reason(other, word):
    result = compared(hornbeam=harmonics(**other), rowan=harmonics(), alder=harmonics())
    refused = json.loads(result.attrs["refused"])
    assert list(refused["86"]) == ["hornbeam"] and word in refused["86"]["hornbeam"]
    assert np.isnan(result["percent"].sel(level=86, device="hornbeam")).all()
    assert np.isfinite(result["percent"].sel(level=86, device="rowan")).any()


def test_only_orders_that_all_have_are_summed():
    """One of two has the second order only: both are compared by that, whatever the other's third is."""
    result = compared(rowan=harmonics(), alder=harmonics().isel(order=[0, 1]))
    one, two, _ = orders_of(86.0)
    row = result["percent"].sel(level=86).sel(frequency=1000, method="nearest")
    np.testing.assert_allclose(row, 100 * 10 ** ((two - one) / 20), rtol=1e-9)
    assert set(np.unique(result["highest_order"].sel(level=86))) == {0, 2}
    assert "Orders up to 2" in json.loads(result.attrs["notes"])["86"][-1]


def test_at_each_frequency_those_that_all_have():
    """The sweep of one ends at 9 kHz: above 3 kHz its third order is missing, and so is that of both in the sum."""
    result = compared(rowan=harmonics(), alder=harmonics(band=9000.0))
    highest = result["highest_order"].sel(level=86)
    grid = result["frequency"].values
    assert set(highest.values[(grid > 40) & (grid < 2700)]) == {3}
    assert set(highest.values[(grid > 3100) & (grid < 4200)]) == {2}
    above = result["percent"].sel(level=86).values[:, (grid > 3100) & (grid < 4200)]
    np.testing.assert_allclose(above[0], above[1], rtol=1e-9)


def test_nothing_is_compared_outside_a_valid_band():
    result = compared(rowan=harmonics(), alder=harmonics(valid_low=200.0, valid_high=5000.0))
    grid = result["frequency"].values
    # A second harmonic of more than 2.5 kHz would be heard above the band.
    outside = (grid < 195) | (grid > 2550)
    assert np.isnan(result["percent"].sel(level=86).values[:, outside]).all()
    assert np.isfinite(result["percent"].sel(level=86).values[:, (grid > 210) & (grid < 2300)]).all()


def test_devices_without_distortion_are_named():
    titles = {"rowan": "Rowan", "alder": "Alder", "willow": "Willow"}
    result = compared(titles, rowan=harmonics(), alder=harmonics())
    assert json.loads(result.attrs["refused"])["86"] == {"willow": "it was not measured"}


def test_a_limit_stays_a_limit():
    result = compared(rowan=harmonics(noise=40.0), alder=harmonics())
    limit = result["limit"].sel(level=86)
    assert (limit.sel(device="rowan").values[result["highest_order"].sel(level=86).values == 3] == 1).all()
    assert not limit.sel(device="alder").any()
    least = result["percent_least"].sel(level=86, device="rowan").sel(frequency=1000, method="nearest")
    assert (
        least
        < closed_form(86.0)
        < result["percent"].sel(level=86, device="rowan").sel(frequency=1000, method="nearest")
    )


def test_the_grid_covers_all_devices():
    result = compared(rowan=harmonics(), alder=harmonics().isel(frequency=slice(20, 80)))
    assert result["frequency"].values[0] == pytest.approx(FREQUENCY[0], rel=0.03)


@pytest.mark.proof
def test_a_campaign_of_devices_with_and_without(tmp_path):
    """Page and figures: two are compared, the third was measured elsewhere, the fourth not at all."""
    for device, gain in (("yew", 0.2), ("box", 0.2), ("elm", 0.2)):
        record = capture_files.record_loudspeaker(capture_files.sweep(), gain=gain, orders=capture_files.ORDERS)
        capture_files.write(tmp_path / "raw" / f"{device} horizontal 0 2V.wav", record)
    file = campaign(tmp_path, (("rowan", 1.0),), extra="distortion: {levels: [103]}\n")
    places = (("yew", "Hall"), ("box", "Hall"), ("elm", "Yard"))
    devices = "".join(captured_device(device, device.title(), place) for device, place in places)
    file.write_text(file.read_text().replace("map-horizontal]", "distortion]") + devices)
    plan = run_all(file)
    result = read_dataset(plan.results / "comparison-distortion.nc")
    contract.validate(result, "distortion-comparison", "comparison-distortion")
    refused = json.loads(result.attrs["refused"])["103"]
    assert set(refused) == {"rowan", "elm"}
    figures = sorted(path.name for path in (plan.results / "figures").glob("*distortion*"))
    assert figures == [
        f"{name}-103.vl.json"
        for name in ("box-distortion", "comparison-distortion", "elm-distortion", "yew-distortion")
    ]
    page = (plan.results / "report" / "index.html").read_text()
    assert f"Distortion: {NO_HARMONICS}" in page
    assert "Not compared: Elm, since it was measured in another environment (Yard) than the others (Hall)." in page
    assert "Comparison of the distortion at 103 dB: it was measured in another environment" in page
    assert "distortion: 103 dB: the take at 2 V" in page and "comparison-distortion.nc" in page
    # h = (1, .03, .01): THD 3.162 % of two orders, where the linear part passes all alike.
    percent = result["percent"].sel(level=103, device="yew").sel(frequency=1000, method="nearest").item()
    assert percent == pytest.approx(100 * np.hypot(0.03, 0.01), rel=0.02)
    # Its figures have names of their own kind, which are theirs.
    assert verify(file).not_intact == ()
    assert explain(plan.results / "comparison-distortion.nc", plan.results / "comparison-distortion.nc").devices
