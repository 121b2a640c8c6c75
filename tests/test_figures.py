"""What is drawn, against IEC 60263 and against the rendered pictures."""

import json
import os
import re
import struct
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

import modelled_speaker as model
from anechain.errors import InputError
from anechain.figures import comparison, curve_set, style
from anechain.figures.comparison import MAX_NAMED, comparison_figure
from anechain.figures.curve_set import bounces_figure, curve_set_figure, planes_figure
from anechain.figures.render import render

SVG = "{http://www.w3.org/2000/svg}"
# Okabe and Ito 2008, "Color Universal Design": the eight colours as published there, in hexadecimal.
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


@pytest.fixture(scope="module")
def responses():
    return model.responses(model.log_frequencies())


@pytest.fixture(scope="module")
def curves(responses):
    return model.curves(responses)


@pytest.fixture(scope="module")
def drawn(curves):
    return ElementTree.fromstring(render(curve_set_figure(curves))["svg"])


def texts(svg):
    """Every line of text."""
    found = []
    for element in svg.iter(f"{SVG}text"):
        lines = list(element.iter(f"{SVG}tspan"))
        found += ["".join(line.itertext()) for line in lines] or ["".join(element.itertext())]
    return found


def lines_of(svg):
    """The lines of a picture by panel, as lists of sub-paths of points in pixels."""
    found = []
    for group in svg.iter(f"{SVG}g"):
        if "mark-line" in group.get("class", ""):
            parts = [part.get("d", "") for part in group.iter(f"{SVG}path")]
            found += [
                [np.array(re.findall(r"(-?[\d.]+),(-?[\d.]+)", p), float) for p in d.split("M")[1:]] for d in parts
            ]
    return found


def panels_of(svg):
    """Width and height of each panel as drawn."""
    paths = [p.get("d", "") for p in svg.iter(f"{SVG}path") if p.get("class") == "background"]
    return [(float(m[1]), float(m[2])) for d in paths if (m := re.match(r"M0.5,0.5h(\d+)v([\d.]+)h", d))]


def x_of(frequency):
    """Where a frequency lies: three decades in 600 pixels."""
    return 600 * np.log10(frequency / 20) / 3


# IEC 60263


def test_a_decade_is_as_long_as_25_db_in_every_panel(drawn):
    # IEC 60263:2020, clause 4.1: 10, 20, 25 or 50 dB per decade.
    level, index = panels_of(drawn)
    assert level[1] / 50 == pytest.approx(level[0] / 3 / 25)
    assert index[1] / 20 == pytest.approx(index[0] / 3 / 25)


@given(st.floats(-60, 130), st.floats(-15, 25))
@settings(max_examples=5, deadline=None)
def test_the_ratio_holds_whatever_the_data(level, index):
    device = model.curves(model.responses(model.log_frequencies(3), sensitivity=level))
    device["directivity_index"] = device["directivity_index"] * 0 + index
    for panel in curve_set_figure(device)["vconcat"]:
        low, high = panel["layer"][-2]["encoding"]["y"]["scale"]["domain"]
        assert (high - low) / panel["height"] / (3 / panel["width"]) == pytest.approx(25)


@given(st.lists(st.floats(-150, 150), min_size=1, max_size=20))
def test_the_level_panel_spans_50_db_under_a_top_on_a_raster(levels):
    low, top = style.level_limits(levels)
    assert top - low == 50
    assert top % 5 == 0
    assert 1 <= top - max(levels) < 6 + 1e-9


@given(st.lists(st.floats(-20, 30), max_size=20))
def test_the_index_panel_holds_its_data(indices):
    low, high = style.index_limits([*indices, np.nan])
    assert low <= min([-5, *indices])
    assert high >= max([15, *indices])
    assert low % 5 == high % 5 == 0


def test_axis_words(drawn):
    words = texts(drawn)
    for label in ("20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"):
        assert words.count(label) >= 1
    assert "Frequency in Hz" in words
    assert "Sound pressure level in dB re 20 µPa" in words
    assert "Rowan 6, two-way for small halls" in words
    assert "Curve set; 2.83 V, 1 m; smoothing: 1/24 octave" in words


# The curves


def test_the_on_axis_line_lies_where_physics_puts_it(drawn):
    # A Linkwitz-Riley crossover sums to an all-pass, so on axis only the high-pass is left: 86 dB above it, and 3.01 dB
    # less at its 50 Hz. The panel is 40 to 90 dB, 8 pixels to the decibel. The on-axis line is drawn last.
    (points,) = lines_of(drawn)[4]
    for frequency, level in ((50, 86 - 3.0103), (1000, 86), (10_000, 86)):
        y = np.interp(x_of(frequency), points[:, 0], points[:, 1])
        assert y == pytest.approx((90 - level) * 8, abs=0.1)


def test_a_missing_stretch_breaks_the_line(curves):
    hole = (curves["frequency"] > 300) & (curves["frequency"] < 500)
    svg = ElementTree.fromstring(render(bounces_figure(curves.assign(level=curves["level"].where(~hole))))["svg"])
    for line in lines_of(svg):
        before, after = line
        assert before[-1, 0] <= x_of(300) + 0.01
        assert after[0, 0] >= x_of(500) - 0.01


def test_the_band_about_a_curve_is_two_standard_uncertainties_wide(curves):
    """0.3 and 0.4 dB make 0.5 dB (Pythagoras); twice that on either side is 2 dB, 16 pixels at 8 to the decibel."""
    dims, shape = curves["level"].dims, curves["level"].shape
    unsure = curves.assign(
        uncertainty_common=(dims, np.full(shape, 0.3)), uncertainty_independent=(dims, np.full(shape, 0.4))
    )
    svg = ElementTree.fromstring(render(curve_set_figure(unsure))["svg"])
    areas = [g for g in svg.iter(f"{SVG}g") if "mark-area" in g.get("class", "")]
    assert len(areas) == 5
    outline = next(part.get("d") for part in areas[0].iter(f"{SVG}path"))
    points = np.array(re.findall(r"(-?[\d.]+),(-?[\d.]+)", outline), float)
    at = points[np.abs(points[:, 0] - x_of(1000)) < 1]
    assert np.ptp(at[:, 1]) == pytest.approx(16, abs=0.2)
    assert at[:, 1].mean() == pytest.approx((90 - 86) * 8, abs=0.2)
    assert any(line.startswith("Bands: expanded uncertainty (k = 2)") for line in texts(svg))


def test_outside_the_valid_band_is_shaded_and_said(drawn):
    shades = [
        p.get("d") for g in drawn.iter(f"{SVG}g") if "mark-rect" in g.get("class", "") for p in g.iter(f"{SVG}path")
    ]
    assert len(shades) == 2
    for shade in shades:
        left, _, width = re.match(r"M([\d.]+),([\d.]+)h([\d.]+)", shade).groups()
        assert float(left) == 0
        assert float(width) == pytest.approx(x_of(35), abs=0.01)
    assert "Shaded: outside the valid band, 35 Hz to 20 kHz." in texts(drawn)


def test_lines_are_clipped_to_their_panel(curves):
    far_below = curves.assign(level=curves["level"].where(curves["frequency"] > 100, -100))
    svg = ElementTree.fromstring(render(curve_set_figure(far_below))["svg"])
    clipped = [g for g in svg.iter(f"{SVG}g") if "mark-line" in g.get("class", "")]
    assert any(point[1] > 400 for line in lines_of(svg) for part in line for point in part)
    for group in clipped:
        assert group.get("clip-path") or any(child.get("clip-path") for child in group)


def test_a_gap_is_written_under_the_figure(curves):
    # As it is where only the horizontal orbit was measured.
    gaps = dict.fromkeys(("sound_power", "in_room", "early_reflections_vertical"), "needs the vertical orbit")
    only = curves.sel(curve=["on_axis"], index=[]).assign_attrs(
        gaps=json.dumps(gaps | {"sphere_power": "needs a sphere"})
    )
    words = texts(ElementTree.fromstring(render(curve_set_figure(only))["svg"]))
    (said,) = [word for word in words if word.startswith("Not shown")]
    assert said == "Not shown (needs the vertical orbit): Sound power (two orbits); Estimated in-room response."


def test_a_relative_level_says_so(curves):
    words = texts(ElementTree.fromstring(render(curve_set_figure(curves.assign_attrs(level_kind="relative")))["svg"]))
    assert "Relative level in dB" in words
    assert "Curve set; relative level, no absolute reference; smoothing: 1/24 octave" in words
    assert not any("20 µPa" in word or "2.83" in word for word in words)


def test_a_figure_of_nothing_is_refused(curves):
    for figure in (curve_set_figure, planes_figure, bounces_figure):
        with pytest.raises(InputError, match="none of its curves has a value"):
            figure(curves * np.nan)


def test_each_curve_has_a_colour_and_a_dash_of_its_own():
    for looks in (curve_set.CURVE_LOOKS, curve_set._INDICES, curve_set._PLANE_CURVES, curve_set._BOUNCES):
        colours, dashes = zip(*looks.values(), strict=True)
        assert len(set(colours)) == len(set(dashes)) == len(looks)
        assert set(colours) <= OKABE_ITO - {"#F0E442"}
    assert len({comparison.device_look(n) for n in range(MAX_NAMED)}) == MAX_NAMED


def test_values_are_kept_to_a_hundredth_of_a_decibel(curves):
    kept = curve_set_figure(curves)["data"]["values"][0]
    np.testing.assert_allclose(kept["frequency"], curves["frequency"], rtol=5e-5)
    np.testing.assert_allclose(kept["sound_power"], curves["level"].sel(curve="sound_power"), atol=0.00501)


def test_dense_data_are_thinned_by_picking():
    dense = model.curves(model.responses(np.geomspace(20, 20_000, 5000), angles=np.arange(-170.0, 181.0, 10.0)))
    kept = curve_set_figure(dense)["data"]["values"][0]
    assert 900 < len(kept["frequency"]) <= 96 * np.log2(1000) + 2
    at = np.array([int(np.argmin(np.abs(dense["frequency"].values - f))) for f in kept["frequency"]])
    np.testing.assert_allclose(kept["on_axis"], dense["level"].sel(curve="on_axis").values[at], atol=0.0051)


# Several devices


@pytest.fixture(scope="module")
def three():
    sets = [
        model.curves(model.responses(model.log_frequencies(6), sensitivity=84 + n, title=title))
        for n, title in enumerate(("Alder 8", "Elm 5", "Yew 10"))
    ]
    return model.comparison(sets).assign_coords(device=["alder.8", "elm[5]", "yew-10"])


def test_devices_share_one_legend(three):
    words = texts(ElementTree.fromstring(render(comparison_figure(three, "sound_power"))["svg"]))
    for title in ("Alder 8", "Elm 5", "Yew 10"):
        assert words.count(title) == 1
    assert "Directivity index in dB" in words


def test_an_index_can_stand_alone(three):
    svg = ElementTree.fromstring(render(comparison_figure(three, "early_reflections_index"))["svg"])
    assert len(panels_of(svg)) == 1
    assert len(lines_of(svg)) == 3


def test_a_device_without_the_curve_is_named(three):
    without = three.assign(level=three["level"].where(three["device"] != "elm[5]"))
    without.attrs["gaps"] = '{"elm[5]": {"listening_window": "needs the vertical orbit"}}'
    svg = ElementTree.fromstring(render(comparison_figure(without, "listening_window"))["svg"])
    assert len(lines_of(svg)) == 2
    assert "Level not shown (needs the vertical orbit): Elm 5." in texts(svg)


def test_each_device_is_shown_inside_its_valid_band(three):
    """A subwoofer from 30 to 315 Hz beside a device from 40 Hz to 16 kHz, and one whose band is not stated."""
    bands = {"valid_low": ("device", [30.0, 40.0, np.nan]), "valid_high": ("device", [315.0, 16_000.0, np.nan])}
    (data,) = comparison_figure(three.assign(bands), "sound_power")["data"]["values"]
    frequency = np.array(data["frequency"])
    for key, low, high in (("1_alder_8", 30, 315), ("2_elm_5_", 40, 16_000), ("3_yew_10", 20, 20_000)):
        for prefix in ("curve", "index"):
            shown = np.array([value is not None for value in data[f"{prefix}_{key}"]])
            np.testing.assert_array_equal(shown, (frequency >= low) & (frequency <= high))


def test_many_devices_are_grey(three):
    many = xr.concat([three] * 10, dim="device").assign_coords(device=[f"d{n}" for n in range(30)])
    svg = ElementTree.fromstring(render(comparison_figure(many, "on_axis"))["svg"])
    assert len(lines_of(svg)) == 30
    assert "All 30 devices in grey: too many for different colours." in texts(svg)


def test_what_is_not_compared_is_refused(three):
    with pytest.raises(InputError, match="no such curve or index"):
        comparison_figure(three, "loudness")


# Rendering


def test_what_answers_to_a_pointer_is_not_in_print(curves):
    import vl_convert

    spec = curve_set_figure(curves)
    before = json.dumps(spec)
    still = render(spec)["svg"]
    assert json.dumps(spec) == before
    live = vl_convert.vegalite_to_svg(spec)
    assert len(live) > len(still) + 100 * curves.sizes["frequency"]


def test_png_has_two_pixels_per_unit(curves):
    made = render(bounces_figure(curves))
    root = ElementTree.fromstring(made["svg"])
    width, height = struct.unpack(">II", made["png"][16:24])
    assert (width, height) == (2 * float(root.get("width")), 2 * float(root.get("height")))
    assert made["pdf"].startswith(b"%PDF-")


def test_a_picture_does_not_depend_on_those_made_before(curves):
    spec = bounces_figure(curves)
    first = render(spec)
    render(curve_set_figure(curves.sel(curve=["on_axis"])))
    assert render(spec) == first


SCRIPT = """
import hashlib, json, sys
import modelled_speaker as model
from anechain.figures.comparison import comparison_figure
from anechain.figures.curve_set import bounces_figure, curve_set_figure, planes_figure
from anechain.figures.directivity_map import directivity_map_figure
from anechain.figures.render import render
responses = model.responses(model.log_frequencies(3))
curves = model.curves(responses)
compared = comparison_figure(model.comparison([curves, curves]), "on_axis")
specs = [curve_set_figure(curves), planes_figure(curves), bounces_figure(curves),
         directivity_map_figure(responses, "vertical"), compared]
print([hashlib.sha256(json.dumps(spec).encode()).hexdigest() for spec in specs])
print([hashlib.sha256(part).hexdigest() for spec in specs[2:4] for part in render(spec).values()])
def word(family):
    mark = {"type": "text", "text": "Rowan", "font": family, "fontSize": 40}
    spec = {"data": {"values": [{}]}, "mark": mark, "width": 200, "height": 60}
    return hashlib.sha256(render(spec)["png"]).hexdigest()
print(word("Liberation Sans") != word("no such font"), word("DejaVu Serif") == word("no such font"))
"""


@pytest.mark.proof
def test_two_processes_make_the_same_bytes_from_the_fonts_the_renderer_carries():
    def run(seed):
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(__file__).parent)}
        environment.pop("FONTCONFIG_FILE", None)
        return subprocess.run(
            [sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True
        ).stdout.splitlines()

    first, second = run("1"), run("2")
    assert first == second
    # The second can only fail on a machine that has that font: there it would be the machine's own.
    assert first[-1] == "True True"


def test_the_environment_is_left_as_it_was(curves, monkeypatch):
    spec = bounces_figure(curves)
    monkeypatch.setenv("FONTCONFIG_FILE", "mine")
    render(spec)
    assert os.environ["FONTCONFIG_FILE"] == "mine"
    monkeypatch.delenv("FONTCONFIG_FILE")
    render(spec)
    assert "FONTCONFIG_FILE" not in os.environ
