"""The figure of the beam width: angles where closed forms put them."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr

from anechain import contract
from anechain.figures.beam_width import beam_width_figure
from anechain.figures.render import render
from test_figures import lines_of
from test_merits import words, x_of

FREQUENCY = np.geomspace(100, 16_000, 120)


def directivity(first, outermost, state, planes=("horizontal", "vertical")):
    shape = (len(planes), 2, FREQUENCY.size)
    dims = ("plane", "side", "frequency")
    dataset = xr.Dataset(
        {
            "first": (dims, np.broadcast_to(first, shape).astype(float).copy()),
            "outermost": (dims, np.broadcast_to(outermost, shape).astype(float).copy()),
            "state": (dims, np.broadcast_to(state, shape).astype(np.int8).copy()),
        },
        coords={"plane": list(planes), "side": ["positive", "negative"], "frequency": FREQUENCY},
        attrs={"device": "willow", "title": "Willow", "level_kind": "spl", "smoothing": "none", "drop": 6.0},
    )
    return contract.describe(dataset, "directivity")


def test_a_dipole_is_as_wide_at_all_frequencies():
    """|cos| is 6 dB down at 59.92 degrees; 360 degrees are 180 pixels high, the axis in the middle at 90."""
    svg = ElementTree.fromstring(render(beam_width_figure(directivity(59.92, 59.92, 0)))["svg"])
    heights = [line[0][:, 1] for line in lines_of(svg)]
    assert len(heights) == 8
    above, below = [h.mean() for h in heights if h.mean() < 90], [h.mean() for h in heights if h.mean() > 90]
    assert above == pytest.approx([90 - 29.96] * 4, abs=0.1) and below == pytest.approx([90 + 29.96] * 4, abs=0.1)
    assert all(np.ptp(h) < 0.01 for h in heights)
    told = words(svg)
    assert "Beam width: where the level is at \N{MINUS SIGN}6 dB re the axis" in told
    assert {"90° left", "90° right", "90° up", "90° down"} <= set(told)


def test_what_is_never_reached_is_no_angle():
    state = np.where(FREQUENCY < 1000, 1, 0)
    first = np.where(FREQUENCY < 1000, np.nan, 45.0)
    svg = ElementTree.fromstring(render(beam_width_figure(directivity(first, first, state, ("horizontal",))))["svg"])
    starts = [line[0][0, 0] for line in lines_of(svg)]
    above = FREQUENCY[FREQUENCY >= 1000][0]
    assert starts == pytest.approx([x_of(above)] * len(starts), abs=0.5)
