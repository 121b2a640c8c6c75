"""Several devices on common terms."""

import json

import numpy as np
import pytest
import xarray as xr

from anechain.acoustics.curve.comparison import alignment_step, common_grid
from anechain.data import contract
from anechain.errors import InputError
from anechain.figure_of_merit.comparison_dataset import comparison_dataset


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


def test_a_device_that_cannot_be_aligned_is_refused():
    with pytest.raises(InputError, match="alder: cannot be aligned in level"):
        comparison_dataset({"rowan": curves(FINE * 0, FINE), "alder": curves([0, 0], [20.0, 500.0], kind="relative")})
    no_axis = curves(FINE * 0, FINE, kind="relative", names=("sound_power",))
    no_axis.attrs["gaps"] = json.dumps({"on_axis": "needs 0°"})
    with pytest.raises(InputError, match="needs 0°"):
        comparison_dataset({"rowan": no_axis})


def test_a_curve_that_one_device_lacks_is_left_empty_there():
    both = comparison_dataset(
        {"rowan": curves(FINE * 0, FINE), "alder": curves(FINE * 0, FINE, names=("on_axis",), title="Alder")}
    )
    assert np.isnan(both["level"].sel(device="alder", curve="sound_power")).all()
    assert np.isfinite(both["level"].sel(device="rowan", curve="sound_power")).all()


def test_the_step_is_undefined_where_the_band_is_not_covered():
    assert np.isnan(alignment_step([400.0, 500.0, 4000.0], [0.0, 0.0, 0.0]))
    assert alignment_step([100.0, 500.0, np.nextafter(3000.0, 4000)], [80.0, 80.0, 80.0]) == pytest.approx(-80)
