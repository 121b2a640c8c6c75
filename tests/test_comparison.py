"""Several devices on common terms."""

import json

import numpy as np
import pytest
import xarray as xr

from anechain.acoustics.curve.comparison import alignment_step, common_grid
from anechain.data import contract
from anechain.data.store import read_dataset, read_receipt
from anechain.figure_of_merit.comparison_dataset import comparison_dataset, with_values_in_valid_bands
from anechain.report.comparison import curves_left_out
from anechain.stages.compare import compared_figures
from campaigns import campaign
from finished_campaigns import run_all


def curves(level, frequency, kind="spl", names=("on_axis", "sound_power"), title="Rowan"):
    dataset = xr.Dataset(
        {
            "level": (("curve", "frequency"), np.stack([np.asarray(level) - 3 * n for n in range(len(names))])),
            "directivity_index": (("index", "frequency"), np.full((1, len(frequency)), 3.0)),
            "curve_method": ("curve", np.array(["m@1"] * len(names), dtype=object)),
            "index_method": ("index", np.array(["m@1"], dtype=object)),
        },
        coords={
            "curve": ("curve", np.array(names, dtype=object)),
            "index": ("index", np.array(["sound_power_index"], dtype=object)),
            "frequency": np.asarray(frequency),
        },
        attrs={"device": "x", "title": title, "level_kind": kind, "gaps": "{}", "smoothing": "none", "notes": ""},
    )
    if kind == "spl":
        dataset.attrs |= {"distance": 1.0, "drive": 2.83}
    return contract.describe(dataset, "curves")


FINE, COARSE = np.geomspace(20, 20000, 601), np.geomspace(100, 16000, 200)


def test_the_common_grid_reaches_over_all_devices_and_holds_mid_bands():
    """IEC 61260-1:2014 equation 3, even designator: 985.712, 1014.495, 1044.119 Hz are 1/24-octave mid-bands."""
    grid = common_grid([FINE, COARSE])
    assert grid[0] >= 20 and grid[-1] <= 20000 and grid[0] < 21 and grid[-1] > 19000
    for centre in (985.712, 1014.495, 1044.119):
        assert np.min(np.abs(grid / centre - 1)) < 1e-6


def test_absolute_levels_are_compared_as_they_are():
    both = comparison_dataset(
        {"rowan": curves(np.full(601, 85.0), FINE), "alder": curves(np.full(200, 88.0), COARSE, title="Alder")}
    )
    contract.validate(both, "comparison", "comparison")
    assert both.attrs["level_kind"] == "spl" and both.attrs["distance"] == 1.0 and both.attrs["drive"] == 2.83
    on_axis = both["level"].sel(curve="on_axis")
    np.testing.assert_allclose(on_axis.sel(device="rowan"), 85.0)
    below = on_axis.sel(device="alder").where(both["frequency"] < 100, drop=True)
    assert below.size and np.isnan(below).all(), "never extrapolated"


def test_one_relative_device_brings_all_to_a_common_mean_and_says_so():
    """A slope of -3 dB/octave over the decade 300 Hz to 3 kHz has the mean power of an exponential: closed form."""
    slope = -3 * np.log2(FINE / 300)
    both = comparison_dataset(
        {"rowan": curves(slope + 91, FINE), "alder": curves(slope + 7, FINE, kind="relative", title="Alder")}
    )
    assert both.attrs["level_kind"] == "relative" and "Alder" in both.attrs["notes"]
    first, second = (both["level"].sel(curve="on_axis", device=device) for device in ("rowan", "alder"))
    np.testing.assert_allclose(first, second, atol=1e-9)
    decay = 0.3 * np.log2(10) * np.log(10)  # of power across the decade, in nepers
    expected = 10 * np.log10((1 - np.exp(-decay)) / decay)
    at_300 = float(np.interp(np.log(300), np.log(both["frequency"]), first))
    assert at_300 == pytest.approx(-expected, abs=0.01)


SUBWOOFER = np.geomspace(20, 315, 60)


def with_subwoofer(**attributes):
    return {
        "rowan": curves(np.full(601, 85.0), FINE),
        "sub": curves(np.full(60, 90.0), SUBWOOFER, kind="relative", title="Sub").assign_attrs(attributes),
    }


def test_a_device_that_cannot_be_aligned_is_a_gap_with_the_mend():
    both = comparison_dataset(with_subwoofer())
    contract.validate(both, "comparison", "comparison")
    gaps = json.loads(both.attrs["gaps"])
    assert "known on axis from 20 Hz to 315 Hz" in gaps["sub"]["on_axis"]
    assert (
        "set comparison.alignment_band in the campaign to a band that all devices have, within 20 to 315 Hz"
        in (gaps["sub"]["on_axis"])
    )
    assert f"Sub: {gaps['sub']['on_axis']}" in both.attrs["notes"].splitlines()
    assert np.isnan(both["level"].sel(device="sub")).all()
    # An index is a difference, which needs no alignment.
    assert np.isfinite(both["directivity_index"].sel(device="sub")).any()
    assert np.isfinite(both["level"].sel(device="rowan")).any()
    assert compared_figures(both) == ["on_axis", "sound_power"]


def test_a_band_that_all_have_aligns_all():
    both = comparison_dataset(with_subwoofer(), (40.0, 300.0))
    level = both["level"].sel(curve="on_axis")
    np.testing.assert_allclose(level.where(np.isfinite(level), 0), 0, atol=1e-9)
    assert np.isfinite(level.sel(device="sub")).any()
    assert "from 40 to 300 Hz" in both.attrs["notes"] and "on_axis" not in json.loads(both.attrs["gaps"]).get("sub", {})


def test_only_the_valid_band_is_aligned():
    """The curve goes on to 20 kHz, but only 20 to 315 Hz are vouched for."""
    devices = {"rowan": curves(FINE * 0, FINE), "sub": curves(FINE * 0, FINE, kind="relative", title="Sub")}
    devices["sub"].attrs |= {"valid_low": 20.0, "valid_high": 315.0}
    assert "cannot be aligned" in json.loads(comparison_dataset(devices).attrs["gaps"])["sub"]["on_axis"]


def test_without_a_common_band_another_comparison_is_proposed():
    devices = with_subwoofer() | {"tweeter": curves([0, 0], [4000.0, 20000.0], title="Tweeter")}
    gaps = json.loads(comparison_dataset(devices).attrs["gaps"])
    assert "no band of an octave that all devices have" in gaps["sub"]["on_axis"]


def test_a_figure_that_no_device_has_is_left_out_with_the_reasons():
    no_axis = curves(FINE * 0, FINE, kind="relative", names=("sound_power",))
    no_axis.attrs["gaps"] = json.dumps({"on_axis": "needs 0°"})
    only = comparison_dataset({"rowan": no_axis, "alder": no_axis.assign_attrs(title="Alder")})
    assert compared_figures(only) == []
    left_out = dict(curves_left_out(only, []))
    assert left_out["On axis"] == "Rowan, Alder: needs 0°"
    assert left_out["Sound power (two orbits)"] == "Rowan, Alder: cannot be aligned in level: needs 0°"


def test_valid_bands_are_kept_and_named_where_they_differ():
    devices = {name: curves(FINE * 0, FINE, title=name.title()) for name in ("rowan", "alder", "hazel")}
    for name in ("rowan", "alder"):
        devices[name].attrs |= {"valid_low": 40.0, "valid_high": 315.0}
    both = comparison_dataset(devices)
    np.testing.assert_array_equal(both["valid_low"], [40.0, 40.0, np.nan])
    np.testing.assert_array_equal(both["valid_high"], [315.0, 315.0, np.nan])
    assert "Rowan, Alder 40 Hz to 315 Hz; Hazel not stated" in both.attrs["notes"]
    inside = with_values_in_valid_bands(both)
    at = inside["frequency"].values
    for variable in ("level", "directivity_index"):
        known = np.isfinite(inside[variable].values)
        assert (known[:2] == ((at >= 40) & (at <= 315))).all() and known[2].all()
    alike = comparison_dataset({name: devices[name] for name in ("rowan", "alder")})
    assert "valid band" not in alike.attrs["notes"]


def test_coarse_data_of_some_devices_are_named():
    devices = {name: curves(FINE * 0, FINE, title=name.title()) for name in ("rowan", "alder")}
    devices["rowan"].attrs |= {"smoothing": "1/20 octave, squared pressure", "resolution_limit": 116.4}
    note = "Rowan: below 116.4 Hz fewer points than 1/20-octave smoothing needs"
    assert comparison_dataset(devices).attrs["notes"] == note
    devices["alder"].attrs |= {"resolution_limit": 116.4}
    assert comparison_dataset(devices).attrs["notes"] == ""


def test_a_curve_that_one_device_lacks_is_left_empty_there():
    both = comparison_dataset(
        {"rowan": curves(FINE * 0, FINE), "alder": curves(FINE * 0, FINE, names=("on_axis",), title="Alder")}
    )
    assert np.isnan(both["level"].sel(device="alder", curve="sound_power")).all()
    assert np.isfinite(both["level"].sel(device="rowan", curve="sound_power")).all()


def test_the_step_is_undefined_where_the_band_is_not_covered():
    assert np.isnan(alignment_step([400.0, 500.0, 4000.0], [0.0, 0.0, 0.0]))
    assert alignment_step([100.0, 500.0, np.nextafter(3000.0, 4000)], [80.0, 80.0, 80.0]) == pytest.approx(-80)


def hall_with_subwoofer(folder, extra=""):
    """A device with both orbits, and a subwoofer with relative levels up to 250 Hz on the front of one side."""
    file = campaign(folder, (("rowan", 1.0), ("sub", 0.9)), extra=extra)
    for path in (folder / "raw" / "sub").glob("*.csv"):
        if " -" in path.name:
            path.unlink()
            continue
        rows = path.read_text().splitlines()
        path.write_text("\n".join([rows[0], *(row for row in rows[1:] if float(row.split(",")[0]) <= 250)]) + "\n")
    head, sub = file.read_text().split("  sub:\n")
    spl = "level_kind: spl, distance: 2, drive: 2.83, valid_band: [80, 16000]"
    relative = "level_kind: relative, valid_band: [62, 250], symmetry: [left/right, up/down]"
    file.write_text(f"{head}  sub:\n{sub.replace(spl, relative)}")
    return file


def test_a_subwoofer_among_relative_levels_is_a_gap_on_the_page(tmp_path):
    plan = run_all(hall_with_subwoofer(tmp_path))
    page = (plan.results / "report" / "index.html").read_text()
    assert "Comparison of levels: cannot be aligned in level from 300 to 3000 Hz: known on axis from 62.5 Hz to" in page
    assert "to a band that all devices have, within 88.39 to 250 Hz" in page
    assert "Valid bands differ, each curve is shown inside that of its device: Rowan 80 Hz to 16 kHz" in page
    assert "mirrored by declared symmetry, not measured: horizontal -170° to -10° (17 directions)" in page
    figure = (plan.results / "figures" / "comparison-on_axis.vl.json").read_text()
    # The reason is among the notes of the comparison, and is not repeated.
    assert "Sub: cannot be aligned in level" in figure and "Level not shown" not in figure


def test_another_alignment_band_compares_both(tmp_path):
    plan = run_all(hall_with_subwoofer(tmp_path, "comparison: {alignment_band: [90, 240]}\n"))
    comparison = read_dataset(plan.results / "comparison.nc")
    assert np.isfinite(comparison["level"].sel(device="sub", curve="sound_power")).any()
    page = (plan.results / "report" / "index.html").read_text()
    assert "cannot be aligned" not in page and "from 90 to 240 Hz" in page
    receipt = read_receipt(plan.results / "comparison.nc")
    assert receipt["steps"][receipt["stamp"]]["parameters"]["alignment_band"] == [90.0, 240.0]
