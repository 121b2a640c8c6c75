"""The figure of the beam width: angles where closed forms put them."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr

from anechain.data import contract
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
    assert "Beam width at \N{MINUS SIGN}6 dB re the axis" in told
    assert {"90° left", "90° right", "90° up", "90° down"} <= set(told)


def test_the_area_is_as_wide_as_the_interval():
    """From 58 to 66 degrees: eight of 360 degrees on 180 pixels, 4 pixels."""
    data = directivity(60.0, 60.0, 0, ("horizontal",))
    for name, angle in (("first_low", 58.0), ("first_high", 66.0)):
        data[name] = (data["first"].dims, np.full(data["first"].shape, angle))
    svg = ElementTree.fromstring(render(beam_width_figure(data))["svg"])
    areas = [one for one in svg.iter() if one.get("aria-roledescription") == "area mark container"]
    assert len(areas) == 2
    for area in areas:
        y = np.array([float(v) for v in re.findall(r"[ML][\d.]+,([\d.]+)", next(iter(area)).get("d"))])
        assert np.ptp(y) == pytest.approx(4.0, abs=0.11)
    assert "Pale: 95 % interval of the first angle" in " ".join(words(svg))


def test_a_rear_lobe_and_a_lobe_at_one_frequency_are_seen():
    """A dipole comes up again to its full level at 180 degrees: the broken line runs along both edges."""
    rear = beam_width_figure(directivity(59.92, np.nan, 2, ("horizontal",)))
    heights = sorted(round(line[0][:, 1].mean(), 1) for line in lines_of(ElementTree.fromstring(render(rear)["svg"])))
    assert heights == pytest.approx([0.0, 60.0, 120.0, 180.0], abs=0.1)
    first = np.where(np.arange(FREQUENCY.size) == 60, 40.0, 70.0)
    (columns,) = beam_width_figure(directivity(first, 70.0, 0, ("horizontal",)))["data"]["values"]
    alone = columns["horizontal_positive_alone"]
    assert [at for at, value in enumerate(alone) if value is not None] == [60] and alone[60] == 70.0


def test_coverage_and_narrowing_are_marked():
    one = {
        "value": 104.4,
        "bound": "at least",
        "marks": [{"curve": "beam_horizontal", "low_hz": 500.0, "high_hz": 2e3}],
    }
    numbers = {
        "order": ["beam.horizontal.500_2000", "beam.horizontal.2000_8000", "beam.horizontal.narrows", "level.x"],
        "beam.horizontal.500_2000": one,
        "beam.horizontal.2000_8000": {
            "value": 88.0,
            "bound": "",
            "marks": [{"curve": "beam_horizontal", "low_hz": 2e3, "high_hz": 8e3}],
        },
        "beam.horizontal.narrows": {
            "value": 3e3,
            "bound": "",
            "marks": [{"curve": "beam_horizontal", "low_hz": 3e3, "high_hz": 3e3}],
        },
        "level.x": {"value": 1.0, "bound": "", "marks": [{"curve": "on_axis", "low_hz": 1.0, "high_hz": 2.0}]},
    }
    svg = ElementTree.fromstring(render(beam_width_figure(directivity(60.0, 60.0, 0, ("horizontal",)), numbers))["svg"])
    told = words(svg)
    assert "\N{GREATER-THAN OR EQUAL TO} 104°" in told and "88°" in told
    text = " ".join(told)
    assert "Grey bars: mean coverage" in text and "Dotted: frequency at which the beam first becomes narrower" in text


def test_what_is_never_reached_is_no_angle():
    state = np.where(FREQUENCY < 1000, 1, 0)
    first = np.where(FREQUENCY < 1000, np.nan, 45.0)
    svg = ElementTree.fromstring(render(beam_width_figure(directivity(first, first, state, ("horizontal",))))["svg"])
    starts = [line[0][0, 0] for line in lines_of(svg)]
    above = FREQUENCY[FREQUENCY >= 1000][0]
    assert starts == pytest.approx([x_of(above)] * len(starts), abs=0.5)
