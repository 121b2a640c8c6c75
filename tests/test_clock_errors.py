"""Clock errors and sampling rates, on recordings with and without them."""

import numpy as np
import pytest

from anechain.acoustics.recording.clock_errors import clock_error, clock_ratio, compactness
from anechain.acoustics.recording.excitation_timing import excitation_delay
from anechain.acoustics.recording.sweeps import swept_sine
from capture_files import RATE, sweep
from flawed_captures import early, recording, response

BAND = (20.0, 20000.0)


GRID = np.geomspace(50, 20000, 400)


TIMES = excitation_delay(sweep(), RATE, GRID)


def clock_of(record, played=None):
    times = TIMES if played is None else excitation_delay(played, RATE, GRID)
    return clock_error(early(record, played)[0], RATE, GRID, times, BAND)


@pytest.mark.parametrize("clock", [0.0, 200.0, -200.0, 500.0, -1000.0])
def test_clock_error_is_found(clock):
    """Sweep of 2 s: within the uncertainty caused by a crossover, 133 parts per million."""
    found = clock_of(recording(clock=clock))
    assert found.uncertainty == pytest.approx(133, rel=0.03)
    assert found.error == pytest.approx(clock, abs=0.8 * found.uncertainty)
    assert found.after > 0.95 and (abs(clock) < 500 or found.before < found.after - 0.03)


def test_a_longer_sweep_detects_smaller_errors():
    played = swept_sine("synchronised", 20, 20000, 8.0, RATE, 0.1, 0.002)
    for clock in (0.0, 50.0, -100.0):
        found = clock_of(recording(played=played, clock=clock), played)
        assert found.uncertainty < 36 and found.error == pytest.approx(clock, abs=found.uncertainty)


def test_clock_error_with_a_linear_sweep():
    played = swept_sine("linear", 20, 20000, 2.0, RATE, 0.1, 0.002)
    for clock in (0.0, 200.0):
        found = clock_of(recording(played=played, clock=clock), played)
        assert found.error == pytest.approx(clock, abs=found.uncertainty)


def test_clock_error_refuses_narrow_bands_and_impulses():
    with pytest.raises(ValueError, match="band"):
        clock_error(np.ones(1680), RATE, GRID, TIMES, (3000.0, 9000.0))
    with pytest.raises(ValueError, match="close together"):
        clock_error(np.ones(1680), RATE, GRID, np.zeros(GRID.size), BAND)


@pytest.mark.parametrize("ratio", [44.1 / 48, 48 / 44.1, 2.0, 0.5])
def test_another_sampling_rate_is_found(ratio):
    record = recording(ratio=ratio)
    assert compactness(response(record), RATE) < 0.7
    found, gain = clock_ratio(record, sweep(), RATE, BAND)
    assert found == pytest.approx(ratio) and gain > 10


def test_the_right_sampling_rate_is_left_alone():
    record = recording()
    assert compactness(response(record), RATE) > 0.9
    assert clock_ratio(record, sweep(), RATE, BAND) == (1.0, 1.0)
