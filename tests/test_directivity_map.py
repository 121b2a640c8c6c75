"""The directivity map: its colours against closed forms, its lines where the beam width puts them."""

import json
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr

import modelled_speaker as model
from anechain.errors import InputError
from anechain.figures.directivity_map import directivity_map_figure
from anechain.figures.relative_levels import band_averages, relative_levels
from anechain.figures.render import render
from test_beam_width_figure import FREQUENCY, directivity
from test_figures import SVG, lines_of, texts, x_of


@pytest.fixture(scope="module")
def responses():
    return model.responses(model.log_frequencies())


def directive(pattern, angles, frequency):
    """Responses of a source whose pattern is the same at all frequencies."""
    level = 20 * np.log10(np.maximum(np.abs(pattern(np.deg2rad(angles))), 1e-6))
    level = np.broadcast_to(level[None, :, None], (2, angles.size, frequency.size))
    return xr.Dataset(
        {"level": (("plane", "angle", "frequency"), 90 + level)},
        coords={"plane": ["horizontal", "vertical"], "angle": angles, "frequency": frequency},
        attrs={"title": "Willow", "level_kind": "spl"},
    )


FIVE = np.arange(-175.0, 181.0, 5.0)


def test_bands_are_means_of_squared_pressure():
    # Two equal paths, one 20 m longer: over many ripples the mean squared pressure is twice that of one path, 3.01 dB.
    frequency = np.arange(2000.0, 20_000.0, 1.0)
    two = 20 * np.log10(np.abs(1 + np.exp(-2j * np.pi * frequency * 20 / 343.2)))
    _, centres, levels = band_averages(frequency, np.stack([np.zeros_like(two), two]), np.ones(two.size, bool))
    whole = (centres > 2200) & (centres < 19_000)
    np.testing.assert_allclose(levels[0], 0, atol=1e-9)
    np.testing.assert_allclose(levels[1, whole], 10 * np.log10(2), atol=0.25)
    steps = np.diff(np.log2(centres[whole]))
    np.testing.assert_allclose(steps, np.log2(10**0.3) / 12, rtol=0.02)


def test_coarse_data_stay_as_they_are():
    frequency = 1000 * 10 ** (np.arange(-10, 11) / 10)
    edges, centres, levels = band_averages(frequency, np.arange(21.0)[None], np.ones(21, bool))
    np.testing.assert_allclose(centres, frequency)
    np.testing.assert_allclose(levels[0], np.arange(21.0))
    # Third-octave bands meet half way: a factor of 10^(1/20) from the middle.
    np.testing.assert_allclose(edges[:, 1], frequency * 10**0.05)


def test_the_map_is_blank_where_on_axis_is_missing(responses):
    hole = (responses["frequency"] > 300) & (responses["frequency"] < 500) & (responses["angle"] == 0)
    edges, *_ = relative_levels(responses.assign(level=responses["level"].where(~hole)), "horizontal")
    missing = responses["frequency"].values[(responses["frequency"] > 300) & (responses["frequency"] < 500)]
    assert not any(((edges[:, 0] < f) & (f < edges[:, 1])).any() for f in missing)
    assert ((edges[:, 0] < 290) & (edges[:, 1] > 290)).any()


@pytest.mark.parametrize(
    ("angles", "blank"),
    [
        (np.arange(-60.0, 61.0, 10.0), [(-180, -65), (65, 180)]),
        (np.setdiff1d(np.arange(-170.0, 181.0, 10.0), [30.0]), [(25, 35)]),
        (np.r_[np.arange(-170.0, -60.0, 10.0), np.arange(-60.0, 61.0, 5.0), np.arange(70.0, 181.0, 10.0)], []),
        (np.arange(0.0, 181.0, 10.0), [(-175, -5)]),
        (np.array([0.0]), [(-180, -2.5), (2.5, 180)]),
    ],
)
def test_directions_that_were_not_measured_stay_blank(angles, blank):
    source = directive(np.cos, angles, model.log_frequencies(3))
    spec = directivity_map_figure(source, "horizontal", directivity(45.0, 45.0, 0))
    cells = spec["vconcat"][0]["layer"][0]["data"]["values"]
    edges = [-180, *(edge for cell in cells for edge in (cell["below"], cell["above"])), 180]
    assert [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a != b] == blank


def test_the_map_as_drawn():
    svg = ElementTree.fromstring(
        render(directivity_map_figure(directive(np.cos, FIVE, model.log_frequencies(12)), "vertical"))["svg"]
    )
    # A dipole is the same at all frequencies, so each direction is one rectangle of one colour.
    layer, *_ = [g for g in svg.iter(f"{SVG}g") if "mark-rect" in g.get("class", "")]
    fills = [p.get("fill") for p in layer.iter(f"{SVG}path")]
    assert len(fills) == FIVE.size + 1
    # 20 lg cos of 0 to 40, 45 to 55, 60 and 65, 70 and 75, 80, 85, 90 degrees lies in seven steps: 45 degrees have
    # -3.01 dB, 60 have -6.02, 70 have -9.32, 80 have -15.2, 85 have -21.2, and 90 have none.
    assert len(set(fills)) == 7
    words = texts(svg)
    assert "down ←   Angle in degrees   → up" in words
    assert {"−180", "0", "180", "−30", "−3", "3"} <= set(words)


def test_the_sides_are_named_by_plane(responses):
    words = texts(ElementTree.fromstring(render(directivity_map_figure(responses, "horizontal"))["svg"]))
    assert "right ←   Angle in degrees   → left" in words


def test_what_a_map_needs_is_said(responses):
    with pytest.raises(InputError, match="vertical orbit: was not measured"):
        directivity_map_figure(responses.sel(plane=["horizontal"]), "vertical")
    with pytest.raises(InputError, match="no on-axis response"):
        directivity_map_figure(responses.sel(angle=responses["angle"] != 0), "horizontal")


def test_a_map_of_two_thousand_frequencies_at_five_degrees_is_small():
    fine = model.responses(np.geomspace(20, 20_000, 2000), angles=FIVE)
    assert len(json.dumps(directivity_map_figure(fine, "vertical"))) < 400_000


# The lines


def picture(*arguments):
    return ElementTree.fromstring(render(directivity_map_figure(*arguments))["svg"])


def told(svg):
    return " ".join(line.strip() for line in texts(svg))


def height_of(angle):
    """Where an angle lies: 360 degrees on 400 pixels, 180 above."""
    return (180 - np.asarray(angle)) * 400 / 360


def test_the_line_parts_the_colours():
    """A + (1 - A) cos is 6 dB down at arccos (10^(-6/20) - A) / (1 - A): higher colours within, lower beyond."""
    share = np.linspace(0.7, 0.3, FREQUENCY.size)
    ends = np.rad2deg(np.arccos((10 ** (-6 / 20) - share) / (1 - share)))
    pattern = share + (1 - share) * np.cos(np.deg2rad(FIVE))[:, None]
    level = 20 * np.log10(np.maximum(np.abs(pattern), 1e-6))
    source = directive(np.ones_like, FIVE, FREQUENCY)
    svg = picture(source.assign(level=source["level"] - 90 + level), "vertical", directivity(ends, ends, 0))
    lines = [line[0] for line in lines_of(svg)]
    assert len(lines) == 4 and all(len(line) == FREQUENCY.size for line in lines)
    for sign, line in zip((1, -1) * 2, lines, strict=True):
        np.testing.assert_allclose(line[:, 0], x_of(FREQUENCY), atol=0.02)
        np.testing.assert_allclose(line[:, 1], height_of(sign * ends), atol=0.06)
    layer = next(g for g in svg.iter(f"{SVG}g") if "mark-rect" in g.get("class", ""))
    within = beyond = 0
    for mark in layer.iter(f"{SVG}path"):
        told_of = dict(part.split(": ") for part in mark.get("aria-label").replace("\N{MINUS SIGN}", "-").split("; "))
        start, below, end, above, level = (float(told_of[name]) for name in ("start", "below", "end", "above", "level"))
        # The rows at the ends of the axis are halves: their direction is 180 degrees.
        angle = 180 if 180 in (above, -below) else abs(below + above) / 2
        widest, narrowest = np.interp(np.log([start, end]), np.log(FREQUENCY), ends)
        if angle < narrowest:
            within += 1
            assert level >= -6
        elif angle > widest:
            beyond += 1
            assert level < -6
    assert within > 50 and beyond > 50


def test_the_sides_are_those_of_the_dataset():
    """Positive is left or up, above in the map; the broken line, at the outermost angle, is drawn first."""
    beam = directivity(np.array([[[30.0], [60.0]]]), np.array([[[90.0], [120.0]]]), 0)
    heights = [line[0][:, 1] for line in lines_of(picture(directive(np.cos, FIVE, FREQUENCY), "horizontal", beam))]
    assert [h[0] for h in heights] == pytest.approx(list(height_of([90, -120, 30, -60])), abs=0.06)
    assert all(np.ptp(h) == 0 for h in heights)


def test_no_line_where_the_dataset_has_none():
    first = np.where(FREQUENCY < 1000, np.nan, 45.0)
    beam = directivity(first, first * np.nan, np.where(FREQUENCY < 1000, 1, 2))
    svg = picture(directive(np.cos, FIVE, FREQUENCY), "horizontal", beam)
    starts = [part[0, 0] for line in lines_of(svg) for part in line]
    assert starts == pytest.approx([x_of(FREQUENCY[FREQUENCY >= 1000][0])] * 2, abs=0.02)


def test_the_words_say_drop_and_smoothing():
    beam = directivity(45.0, 45.0, 0).assign_attrs(drop=9.5, smoothing="1/20 octave, squared pressure")
    source = directive(np.cos, FIVE, FREQUENCY)
    words = told(picture(source, "horizontal", beam))
    assert "the level is 9.5 dB below on axis" in words
    assert "Smoothing of the curves: 1/20 octave, squared pressure; see beam width." in words
    words = told(picture(source, "horizontal", beam.assign_attrs(smoothing="none")))
    assert "Curves not smoothed; see beam width." in words
    assert "no beam edges" not in words
    words = told(picture(source.assign_attrs(valid_low=200.0), "horizontal", beam))
    assert "Pale: outside the valid band, 200 Hz to 20 kHz; no beam edges there." in words


def test_without_a_beam_width_there_is_no_line_and_it_is_said():
    source = directive(np.cos, FIVE, FREQUENCY)
    for beam in ([], [directivity(45.0, 45.0, 0, ("vertical",))]):
        svg = picture(source, "horizontal", *beam)
        assert not lines_of(svg)
        assert "No beam edges: no beam width in this plane" in told(svg)
        assert "Solid line" not in told(svg)
