"""The figure of the change: what is drawn, on which scale, and with which words."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.data.changes import DeviceChange, Difference, ExplainedDifference
from anechain.figures.change import change_figure
from anechain.figures.change_panels import MAX_PANELS, drawn_devices
from anechain.figures.change_scale import change_limits
from anechain.figures.render import render

GRID = np.geomspace(20, 20_000, 31)
SVG = "{http://www.w3.org/2000/svg}"


def finding(name, change, kind="curve", file="curves.nc"):
    change = np.broadcast_to(np.asarray(change, float), GRID.shape)
    largest = float(change[np.nanargmax(np.abs(change))])
    return ExplainedDifference(file, Difference(kind, name, "dB", frequency=GRID, change=change, largest=largest), name)


def device(name, *findings, **counts):
    return DeviceChange(name, name.title(), findings, counts or {"curve": 14, "index": 6}, (), (40.0, 20_000.0))


def rows_of(spec):
    """The columns of each panel's lines."""
    found = []
    for view in spec["vconcat"]:
        for layer in view["layer"]:
            (values,) = layer.get("data", {}).get("values", [{}])[:1] or [{}]
            if "frequency" in values:
                found.append(values)
    return found


def texts(spec):
    root = ElementTree.fromstring(render(spec, ["svg"])["svg"])
    found = []
    for element in root.iter(f"{SVG}text"):
        parts = list(element.iter(f"{SVG}tspan"))
        found += ["".join(part.itertext()) for part in parts] or ["".join(element.itertext())]
    return found


@given(st.lists(st.floats(-150, 150), max_size=20))
def test_zero_and_every_change_are_on_the_scale(changes):
    low, high, step = change_limits(changes)
    assert low <= min([0, *changes]) + 1e-9 and high >= max([0, *changes]) - 1e-9
    assert 6 <= round((high - low) / step) <= 16
    assert abs(low / step - round(low / step)) < 1e-6


def test_each_changed_curve_is_drawn_as_it_changed():
    tilt = np.linspace(-1, 1, GRID.size)
    spec = change_figure([device("rowan", finding("on_axis", tilt), finding("sound_power_index", 0.2, "index"))], 0.01)
    levels, indices = rows_of(spec)
    np.testing.assert_allclose(levels["line_0"], tilt, atol=5e-5)
    np.testing.assert_allclose(indices["line_0"], 0.2)
    said = texts(spec)
    # Changes of 1 dB in steps of 0.5 dB or finer, ten steps to a decade.
    assert any(re.fullmatch(r"Rowan: curves; one decade of frequency is as long as [25] dB", text) for text in said)
    assert "On axis" in said and "0" in said and "Change of level in dB" in said
    assert "Shaded: outside the band that is valid on both sides." in said


def test_the_scale_that_is_stated_is_the_one_that_is_drawn():
    spec = change_figure([device("rowan", finding("on_axis", np.linspace(-0.4, 0.3, GRID.size)))], 0.01)
    view = spec["vconcat"][0]
    line = next(layer for layer in view["layer"] if "transform" in layer)
    low, high = line["encoding"]["y"]["scale"]["domain"]
    per_decade = (high - low) * (view["width"] / 3) / view["height"]
    assert f"as long as {per_decade:g} dB" in view["title"]["text"]


def test_curves_that_change_alike_are_one_line():
    alike = [finding(name, 6.02) for name in ("on_axis", "listening_window", "sound_power")]
    said = texts(change_figure([device("rowan", *alike, curve=3)], 0.01))
    assert "All 3 curves" in said
    spec = change_figure([device("rowan", *alike, finding("in_room", 1.0), curve=14)], 0.01)
    said = texts(spec)
    assert "On axis and 2 equal" in said and "Estimated in-room response" in said
    assert any(text.startswith("Rowan, equal within 0.001 dB: On axis; Listening window;") for text in said)
    assert len(rows_of(spec)[0]) == 3


def test_how_the_sides_were_brought_together_stands_under_the_figure():
    one = replace(device("rowan", finding("on_axis", 0.5)), notes=("compared from 100 to 800 Hz only",))
    assert "Rowan: compared from 100 to 800 Hz only." in texts(change_figure([one], 0.01))


def test_the_zero_line_is_drawn():
    spec = change_figure([device("rowan", finding("on_axis", 0.5))], 0.01)
    rules = [layer for view in spec["vconcat"] for layer in view["layer"] if layer["mark"]["type"] == "rule"]
    assert [rule["data"]["values"] for rule in rules] == [[{"change": 0}]]


def test_no_value_and_no_sound_break_the_line():
    change = np.zeros(GRID.size)
    change[3], change[5], change[9] = np.nan, -np.inf, 1.0
    (columns,) = rows_of(change_figure([device("rowan", finding("on_axis", change))], 0.01))
    assert columns["line_0"][3] is None and columns["line_0"][5] is None and columns["line_0"][9] == 1.0
    json.dumps(columns, allow_nan=False)


def test_of_many_devices_those_that_change_most_are_drawn_and_it_is_said():
    many = [device(f"d{n:02d}", finding("on_axis", 0.1 * n)) for n in range(1, MAX_PANELS + 4)]
    spec = change_figure(many, 0.01)
    assert len(rows_of(spec)) == MAX_PANELS
    assert drawn_devices(many) == {f"d{n:02d}" for n in range(4, MAX_PANELS + 4)}
    assert f"The {MAX_PANELS} of {MAX_PANELS + 3} panels with the largest changes are drawn." in texts(spec)


@pytest.mark.parametrize(
    "findings",
    [
        (),
        (ExplainedDifference("curves.nc", Difference("curve", "on_axis", "dB", "removed"), "On axis"),),
        (finding("horizontal 20°", 1.0, "direction"),),
    ],
)
def test_without_a_change_in_decibels_there_is_no_figure(findings):
    assert change_figure([device("rowan", *findings)], 0.01) is None
