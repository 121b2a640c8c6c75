"""Drift told apart from the cooling of a coil that is integrated by scipy, with a known drift of the gain."""

import numpy as np
import pytest

from anechain.acoustics.recording.drift_fit import fit_drift
from thermal_coil import BAND, FREQUENCY, takes

LOUDER = [1.0, 2.0, 4.0, 8.0, 16.0, 24.5]
TOP = len(LOUDER) - 1
COILS = [
    {"thermal_resistance": 2.0, "heat_capacity": 5.0},  # 10 s
    {"thermal_resistance": 2.0, "heat_capacity": 20.0},  # 40 s
    {"thermal_resistance": 0.3, "heat_capacity": 20.0},  # 6 s, little loss
]
SHAPES = {
    "straight": lambda x: x,
    "faster first": lambda x: x + 0.5 * x * (1 - x),
    "slower first": lambda x: x - 0.5 * x * (1 - x),
}


def series(returns, pause, coil, per_take, shape="straight"):
    """Takes a minute apart, then returns to the lowest drive; their drift re the first take."""
    drives = np.array(LOUDER + [1.0] * returns)
    start = np.r_[60.0 * np.arange(TOP + 1), 60.0 * TOP + pause * np.arange(1, returns + 1)]
    level, _ = takes(drives, start, 10.0, **coil)
    drift = per_take * (drives.size - 1) * SHAPES[shape](start / start[-1])
    scatter = np.random.default_rng(drives.size).normal(0.0, 0.02, level.shape)
    return drives, start, level + drift[:, np.newaxis] + scatter, drift


@pytest.mark.parametrize("coil", COILS)
@pytest.mark.parametrize("returns, pause", [(1, 300.0), (2, 60.0), (3, 30.0)])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_drift_at_the_loudest_take_is_within_its_uncertainty(returns, pause, coil, shape):
    for per_take in (-0.3, -0.1, -0.03, 0.03, 0.1, 0.3):
        drives, start, level, drift = series(returns, pause, coil, per_take, shape)
        found = fit_drift(FREQUENCY, level, drives, BAND, start)
        assert found.verdict == "removed" and not found.reason
        assert found.removed_db[TOP] == pytest.approx(drift[TOP], abs=2 * found.standard_db[TOP])
        # The uncertainty is a fraction of the drift, not a licence.
        assert found.standard_db[TOP] < 0.16 * abs(drift[-1]) + 0.04
        assert found.per_take_db == pytest.approx(found.per_minute_db * start[-1] / 60 / (drives.size - 1))


@pytest.mark.parametrize("coil", COILS)
@pytest.mark.parametrize("returns, pause", [(1, 20.0), (1, 60.0), (1, 300.0), (2, 60.0), (3, 30.0)])
@pytest.mark.parametrize("timed", [True, False])
def test_a_coil_that_cools_is_no_drift(returns, pause, coil, timed):
    drives, start, level, _ = series(returns, pause, coil, 0.0)
    found = fit_drift(FREQUENCY, level, drives, BAND, start if timed else None)
    assert (found.removed_db == 0).all() and (found.return_share == 0).all()
    assert found.verdict in ("none found", "not separable") and found.reason
    assert found.interval_db[0] <= 0.002 and found.interval_db[1] >= -0.002
    assert (found.per_minute_db is None) != timed


def test_a_return_too_early_leaves_cooling_and_drift_in_one():
    """20 s after the loudest take a coil of 40 s is still warm: a fall of the gain cannot be told from it."""
    drives, start, level, drift = series(1, 20.0, COILS[1], -0.03)
    found = fit_drift(FREQUENCY, level, drives, BAND, start)
    assert found.verdict == "not separable" and "wait longer before the return take" in found.reason
    assert abs(drift[TOP]) < 2 * found.standard_db[TOP]
    # The return is lower still than cooling and little drift explain: with a large drift some is certain.
    drives, start, level, drift = series(1, 20.0, COILS[0], -0.3)
    found = fit_drift(FREQUENCY, level, drives, BAND, start)
    assert found.verdict == "removed" and abs(found.removed_db[TOP] - drift[TOP]) < 2 * found.standard_db[TOP]


def test_without_times_the_drift_is_linear_in_the_takes():
    drives = np.array([1.0, 3.0, 9.0, 27.0, 1.0])
    level = 80 + 20 * np.log10(drives)[:, np.newaxis] + 0.1 * np.arange(5)[:, np.newaxis] + 0 * FREQUENCY
    found = fit_drift(FREQUENCY, level, drives, BAND)
    assert found.verdict == "removed" and found.per_minute_db is None and found.reference_takes == (1, 5)
    assert found.removed_db[3] == pytest.approx(0.3, abs=2 * found.standard_db[3]) and found.standard_db[3] < 0.15
    assert np.diff(found.removed_db).tolist() == pytest.approx([found.per_take_db] * 4)
    assert found.return_share.tolist() == pytest.approx([0, 0.25, 0.5, 0.75, 1])


@pytest.mark.parametrize(
    "drives, reason",
    [
        ([1.0, 2.0, 4.0], "no drive was repeated after louder takes"),
        ([1.0, 1.0, 2.0], "no drive was repeated after louder takes"),
        ([1.0, 2.0, 1.0, 4.0], "takes at other drives follow the last take at 1 V"),
    ],
)
def test_without_a_return_take_nothing_is_removed(drives, reason):
    found = fit_drift(FREQUENCY, np.zeros((len(drives), FREQUENCY.size)), drives, BAND, 60.0 * np.arange(len(drives)))
    assert found.verdict == "not known" and reason in found.reason and found.per_take_db is None
    assert (found.removed_db == 0).all() and (found.standard_db == 0).all()


def test_what_cannot_be_fitted_is_refused_or_named():
    level = np.zeros((3, FREQUENCY.size))
    with pytest.raises(ValueError, match="time constant must be above zero"):
        fit_drift(FREQUENCY, level, [1.0, 2.0, 1.0], BAND, None, 0.0)
    with pytest.raises(ValueError, match="order in which they started"):
        fit_drift(FREQUENCY, level, [1.0, 2.0, 1.0], BAND, [0.0, 2.0, 1.0])
    level[2] = np.nan
    assert "too few frequencies" in fit_drift(FREQUENCY, level, [1.0, 2.0, 1.0], BAND).reason
