import numpy as np
import pytest

from anechain.assemble import Curve
from anechain.errors import InputError
from anechain_delimited.resampling import log_grid, on_one_grid, resample_curves


def curve(frequency, level=None, phase=None, source="a.txt"):
    frequency = np.asarray(frequency, float)
    return Curve("horizontal", 0.0, frequency, np.zeros_like(frequency) if level is None else level, phase, source)


def test_the_grid_has_its_points_per_octave_and_reaches_the_end():
    grid = log_grid(20, 20480, 12)
    assert grid.size == 10 * 12 + 1
    np.testing.assert_allclose(grid[::12], 20 * 2.0 ** np.arange(11))
    assert log_grid(20, 20000, 3)[-1] <= 20000


def test_a_slope_per_octave_and_a_delay_come_through_exactly():
    # A level linear in log f, and a delay of 2 ms (phase -360 f t), are what the two interpolations leave exact.
    curves = []
    for frequency in (np.geomspace(20, 20000, 700), np.arange(15.0, 21000, 7.0)):
        turn = (-360 * frequency * 2e-3 + 180) % 360 - 180
        keep = frequency < 3000
        curves.append(curve(frequency[keep], 12 * np.log2(frequency[keep] / 100), turn[keep]))
    out, notes = resample_curves(curves, 25, 2500, 24, "here")
    for each in out:
        np.testing.assert_allclose(each.level, 12 * np.log2(each.frequency / 100), atol=1e-9)
        error = each.phase + 360 * each.frequency * 2e-3
        np.testing.assert_allclose(error, 360 * np.round(error / 360), atol=1e-6)
    assert on_one_grid(out)
    assert any("per octave" in note for note in notes)
    assert not any("uncertain" in note for note in notes)


def test_never_beyond_the_common_range_and_reported():
    out, notes = resample_curves(
        [curve(np.geomspace(20, 10000, 50)), curve(np.geomspace(50, 20000, 50), source="b.txt")], 20, 20000, 6, "here"
    )
    assert out[0].frequency[0] >= 50
    assert out[0].frequency[-1] <= 10000
    assert any("not at 20 Hz: b.txt starts at 50 Hz" in note for note in notes)
    assert any("not at 20000 Hz: a.txt ends at 10000 Hz" in note for note in notes)


def test_no_common_range_is_refused():
    with pytest.raises(InputError, match=r"between 500 Hz \(b\.txt\) and 200 Hz \(a\.txt\)"):
        resample_curves([curve([20, 200]), curve([500, 2000], source="b.txt")], 20, 2000, 6, "here")


def test_a_gap_stays_a_gap():
    frequency = np.geomspace(100, 1600, 5)
    level = np.array([1.0, 2.0, np.nan, 4.0, 5.0])
    phase = np.array([0.0, 170.0, np.nan, -170.0, -160.0])
    out, _ = resample_curves([curve(frequency, level, phase), curve(frequency * 1.001)], 110, 1500, 8, "here")
    gap = (out[0].frequency > 200) & (out[0].frequency < 800)
    assert np.isnan(out[0].level[gap]).all()
    assert np.isfinite(out[0].level[~gap]).all()
    assert np.isnan(out[0].phase[gap]).all()
    # Unwrapped across the gap, 170 and then -170 is a step of 20 degrees, so what follows goes on from 190 to 200.
    assert (out[0].phase[out[0].frequency > 800] > 190).all()


def test_uncertain_unwrapping_is_reported():
    wide = curve([100, 200, 300], phase=np.array([0.0, 170.0, -20.0]))
    _, notes = resample_curves([wide, curve([100, 250, 300])], 100, 300, 3, "here")
    assert any("unwrapping is uncertain" in note and "a.txt" in note for note in notes)


def test_one_grid():
    assert on_one_grid([curve([20, 30]), curve([20, 30.00001])])
    assert not on_one_grid([curve([20, 30]), curve([20, 30.01])])
    assert not on_one_grid([curve([20, 30]), curve([20, 30, 40])])
