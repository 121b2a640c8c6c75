"""The figure of trends: each curve beside its line and target, what is left of it, and where it strays most."""

import json

import numpy as np
import pytest

import valid_datasets
from anechain.errors import InputError
from anechain.figures.render import render
from anechain.figures.style import DASHES, DECIBELS_PER_DECADE, PANEL_WIDTH
from anechain.figures.trends import REVIEWER_DASH, TREND_DASH, band_letters, trends_figure, trends_of_device
from test_merits import datasets, mark, number, picture, places, words, x_of

WHY = "a hall without a ceiling"


def trends():
    """Both curves have a fitted line; the sound power has one of the reviewer too, on axis alone has a target."""
    dataset = valid_datasets.trends()
    aimed_at = dataset["curve"] == "on_axis"
    dataset = dataset.assign({name: dataset[name].where(~aimed_at) for name in ("own_line", "own_line_deviation")})
    return dataset.assign({name: dataset[name].where(aimed_at) for name in ("target", "target_deviation")})


def numbers(**more):
    """As numbers.json has them for the valid dataset: where |power - 84 dB| is largest, 10 kHz, and why."""
    off = trends()["line_deviation"].sel(curve="sound_power").values
    power = trends()["level"].sel(curve="sound_power").values
    found = {
        "trend.on_axis.slope": number(0.0, "On axis: slope", mark(100.0, 84.0), mark(10_000.0, 84.0)),
        "trend.on_axis.largest": number(0.0, "On axis: largest", mark(100.0, 84.0)),
        "trend.sound_power.slope": number(-0.6, "Sound power: slope"),
        "own_trend.sound_power.slope": number(-0.8, "Sound power: slope set by the reviewer"),
        "own_trend.sound_power.largest": number(1.0, "Sound power: largest", mark(100.0, power[0])),
        "trend.sound_power.largest": number(abs(off[2]), "Sound power: largest", mark(10_000.0, power[2])),
        "target.on_axis.largest": number(0.0, "On axis: largest deviation from the target", mark(1000.0, 84.0)),
    }
    return found | more


def panels(specification):
    return specification["vconcat"]


def line_layer(panel):
    (layer,) = [one for one in panel["layer"] if one["mark"].get("type") == "line"]
    return layer


def looks(panel):
    """Dash of each line by its title in the legend."""
    dash = line_layer(panel)["encoding"]["strokeDash"]
    titles = json.loads(dash["legend"]["labelExpr"].removesuffix("[datum.value]"))
    pairs = zip(dash["scale"]["domain"], dash["scale"]["range"], strict=True)
    return {titles[key]: tuple(value) for key, value in pairs}


def test_each_curve_has_its_panel_and_what_is_left_of_it_below():
    specification = trends_figure(trends(), numbers())
    titles = [list(looks(panel)) for panel in panels(specification)]
    assert titles == [
        ["On axis", "Trend line, 0.00 dB/octave", "Target, shifted by +1.0 dB"],
        ["From the trend line: largest 0.00 dB, 100 Hz", "From the target: largest 0.00 dB, 1 kHz"],
        [
            "Sound power (two orbits)",
            "Trend line, \N{MINUS SIGN}0.60 dB/octave",
            "Set by the reviewer, \N{MINUS SIGN}0.80 dB/octave",
        ],
        [
            "From the trend line: largest \N{MINUS SIGN}3.84 dB, 10 kHz",
            "From the reviewer's line: largest +1.00 dB, 100 Hz",
        ],
    ]


def test_a_decade_is_as_long_as_25_db():
    """IEC 60263."""
    for panel in panels(trends_figure(trends(), numbers())):
        low, high = line_layer(panel)["encoding"]["y"]["scale"]["domain"]
        assert panel["height"] / (high - low) * DECIBELS_PER_DECADE == pytest.approx(PANEL_WIDTH / 3)
        assert low <= 0 <= high or (low <= 80.16 and high >= 84)


def test_a_line_of_the_reviewer_looks_otherwise_and_says_why():
    specification = trends_figure(trends(), numbers())
    _, fitted, own = looks(panels(specification)[2]).values()
    assert fitted == TREND_DASH != REVIEWER_DASH == own and REVIEWER_DASH in DASHES
    assert f"Sound power (two orbits): line set by the reviewer: {WHY}" in " ".join(words(picture(specification)))


def test_the_largest_deviation_stands_where_it_is():
    """The omni share 0.6 leaves 10 lg(0.36 + 0.16 / 3) = -3.84 dB of the axis; 10 kHz is 540 pixels along."""
    specification = trends_figure(trends(), numbers())
    expected = 10 * np.log10(0.6**2 + 0.4**2 / 3)
    (row,) = datasets(specification)["sound_power_deviation_points_0"]
    assert (row["at"], row["level"]) == (10_000.0, pytest.approx(expected, abs=0.005))
    assert row["label"] == "\N{MINUS SIGN}3.84"
    # Panels are 5 dB above and 10 dB below nothing, 8 pixels to the decibel.
    assert any(
        (x, y) == pytest.approx((x_of(10_000), (5 - expected) * 8), abs=0.1) for x, y in places(picture(specification))
    )


def test_highest_and_lowest_of_the_linearity_are_marked_and_bands_share_a_mark():
    title = "On axis, {} Hz: half the distance from the lowest to the highest value (±)"
    spread = {
        "linearity.on_axis.100_10000.plus_minus": number(
            1.0, title.format("100 to 10000"), mark(200.0, 85.0), mark(100.0, 83.0)
        ),
        "linearity.on_axis.300_10000.plus_minus": number(
            0.5, title.format("300 to 10000"), mark(200.0, 85.0), mark(4000.0, 84.0)
        ),
    }
    specification = trends_figure(trends(), numbers(**spread))
    rows = [
        (row["at"], row["label"])
        for name, data in datasets(specification).items()
        if name.startswith("on_axis_level_points")
        for row in data
    ]
    assert rows == [(200.0, "a b"), (100.0, "a"), (4000.0, "b")]
    assert "a 100 to 10000 Hz, b 300 to 10000 Hz" in " ".join(words(picture(specification)))


def test_a_curve_that_is_held_against_its_linearity_alone():
    bare = trends().isel(curve=[0])
    bare = bare.assign({name: bare[name] * np.nan for name in ("line", "line_deviation", "target", "target_deviation")})
    spread = number(1.0, "On axis, 100 to 10000 Hz: half", mark(200.0, 85.0), mark(100.0, 83.0))
    specification = trends_figure(bare, {"linearity.on_axis.100_10000.plus_minus": spread})
    assert [list(looks(panel)) for panel in panels(specification)] == [["On axis"]]
    gap = {"trend.on_axis.slope": number(None, "On axis: slope")}
    with pytest.raises(InputError, match="On axis: slope: the data end"):
        trends_figure(bare, gap)


def test_a_device_without_any_line_has_no_figure():
    """A subwoofer has no value from 200 Hz to 10 kHz: its gaps are listed with the numbers."""
    references = ("line", "line_deviation", "own_line", "own_line_deviation", "target", "target_deviation")
    bare = trends().assign({name: trends()[name] * np.nan for name in references})
    gap = {"trend.on_axis.slope": number(None, "On axis: slope")}
    assert list(trends_of_device({"trends.nc": bare, "numbers.json": gap})) == []
    (figure,) = trends_of_device({"trends.nc": trends(), "numbers.json": numbers()})
    assert figure.name == "trends"


def test_what_is_asked_for_and_cannot_be_had_is_told_once():
    gaps = {
        "trend.in_room.slope": number(None, "In-room: slope"),
        "trend.in_room.largest": number(None, "In-room: largest deviation"),
        "target.in_room.largest": number(None, "In-room: largest deviation from the target"),
    }
    told = " ".join(words(picture(trends_figure(trends(), numbers(**gaps)))))
    assert "Not drawn: In-room: slope: the data end." in told and "In-room: largest deviation: the" not in told
    assert "Not drawn: In-room: largest deviation from the target: the data end." in told


def test_the_same_bytes_each_time():
    first, second = (render(trends_figure(trends(), numbers()), ["svg", "png", "pdf"]) for _ in range(2))
    assert first == second


def test_the_pointer_of_each_panel_answers():
    """Selections name layers that are there, whatever is marked beside the lines."""
    specification = trends_figure(trends(), numbers())
    named = {layer.get("name") for panel in panels(specification) for layer in panel["layer"]}
    asked = {view for param in specification["params"] for view in param.get("views", ())}
    assert len(asked) == 8 and asked <= named
    assert all(line_layer(panel)["name"].endswith("_lines") for panel in panels(specification))


def test_more_bands_than_letters_are_numbered():
    """After the 26 letters the 27th and 28th band have their numbers."""
    entries = {
        f"linearity.on_axis.{at}.plus_minus": {"title": f"On axis, {at} to 9999 Hz: half"} for at in range(100, 128)
    }
    letters = list(band_letters({"order": list(entries), **entries}).values())
    assert letters[0] == "a" and letters[25:] == ["z", "27", "28"]
