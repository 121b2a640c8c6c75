"""Figures of time and phase: values where closed forms put them, in pixels."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

import valid_datasets
from anechain.figure_of_merit.axis_timing import axis_timing, timing_dataset
from anechain.figures.render import render
from anechain.figures.timing import phase_figure, time_figure
from axis_responses import inputs_of, responses
from phase_systems import GRID, band_pass, delayed, linkwitz_riley_sum, second_order_delay
from test_figures import lines_of, panels_of, x_of
from test_merits import words


@pytest.fixture(scope="module")
def two_way():
    inputs = inputs_of(responses(delayed(band_pass(GRID) * linkwitz_riley_sum(GRID, 2000.0), GRID, 0.005)))
    return timing_dataset(inputs, axis_timing(inputs))


def drawn(specification):
    return ElementTree.fromstring(render(specification)["svg"])


def test_the_step_of_a_delay(two_way):
    """Time 0 is a twelfth of 5.5 ms from the left, and both panels are 600 wide."""
    svg = drawn(time_figure(valid_datasets.timing()))
    assert [width for width, _ in panels_of(svg)] == [600, 600]
    (impulse,), (step,) = lines_of(svg)
    # Limits -1.1 to 1.1 on 150 pixels: 0 in the middle, 1 at 6.8.
    assert impulse[:, 1].min() == pytest.approx(6.82, abs=0.1) and step[-1, 1] == pytest.approx(6.82, abs=0.1)
    assert impulse[np.argmin(impulse[:, 1]), 0] == pytest.approx(600 * 0.5 / 5.5, abs=0.2)
    text = " ".join(words(drawn(time_figure(two_way))))
    assert "Impulse response" in text and "Step response" in text and "Time in ms after the arrival" in text


def test_the_group_delay_of_a_crossover(two_way):
    """Excess group delay on 150 pixels from -1 to 4 ms."""
    svg = drawn(phase_figure(two_way))
    assert len(panels_of(svg)) == 3
    paths = [path for line in lines_of(svg) for path in line]
    height = 150 * (4 - 1e3 * second_order_delay(1000.0, 2000.0)) / 5
    at = [np.interp(x_of(1000.0), path[:, 0], path[:, 1]) for path in paths if path[:, 0].max() > x_of(1000.0)]
    assert min(abs(one - height) for one in at) < 0.5
    text = " ".join(words(svg))
    for title in ("Minimum phase", "Excess phase", "Group delay", "Audible to trained listeners", "by 30 dB"):
        assert title in text
    assert "Blauert and Laws 1978, recalled" in text and "the burst itself takes 3.0, 2.5, 1.7" in text


def test_what_is_outside_the_valid_band_is_shaded():
    gated = GRID >= 200
    inputs = inputs_of(responses(band_pass(GRID)[gated], GRID[gated], (200.0, 16_000.0)))
    text = " ".join(words(drawn(phase_figure(timing_dataset(inputs, axis_timing(inputs))))))
    assert "Shaded: outside the valid band, 200 Hz to 16 kHz." in text
