"""Figures of merit where they lie on the curves: what is marked stands where physics puts it."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr

import modelled_speaker as model
from anechain.data import contract
from anechain.errors import InputError
from anechain.figures.aim import aim_figure
from anechain.figures.deviations import deviations_figure
from anechain.figures.panel_elements import Panel, Series
from anechain.figures.panels import stack_panels
from anechain.figures.range_limits import limits_figure
from anechain.figures.render import render

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def curves():
    return model.curves(model.responses(model.log_frequencies()))


def picture(specification):
    return ElementTree.fromstring(render(specification)["svg"])


def x_of(frequency):
    """Where a frequency lies: three decades in 600 pixels (IEC 60263, a decade as long as 25 dB)."""
    return 600 * np.log10(frequency / 20) / 3


def places(svg):
    """Where each mark stands, in pixels of its panel; the legend's are not among them."""
    groups = [one for one in svg.iter(f"{SVG}g") if "mark-symbol role-mark" in one.get("class", "")]
    outlines = [path.get("transform", "") for group in groups for path in group.iter(f"{SVG}path")]
    return [tuple(float(one) for one in re.findall(r"[-\d.]+", outline)[:2]) for outline in outlines]


def words(svg):
    return ["".join(element.itertext()) for element in svg.iter(f"{SVG}text")]


def number(value, title, *marks):
    return {"value": value, "title": title, "reason": "" if value is not None else "the data end", "marks": list(marks)}


def mark(hz, level=None, curve="on_axis", high=None):
    return {"curve": curve, "low_hz": hz, "high_hz": high or hz, "level_db": level}


MINUS = "\N{MINUS SIGN}"


def limit(hz, drop, level, curve="on_axis", name="On axis", note="re its mean", end="lower"):
    return number(hz, f"{name}, {MINUS}{drop} dB, {end} limit", mark(hz, level, curve)) | {"note": note}


def test_limits_stand_on_the_curve(curves):
    """50 Hz is the corner of the modelled bass, 3.01 dB under the 86 dB of the range; 8 pixels to the decibel."""
    numbers = {
        "range.lower_3": limit(50.0, 3, 86 - 3.0103, note=f"re its mean; {MINUS}3 dB is half the power, 3.0103 dB"),
        "range.upper_3": number(None, f"On axis, {MINUS}3 dB, upper limit"),
        "level.sensitivity": number(86.0, "Sensitivity", mark(300.0, high=3000.0)),
    }
    svg = picture(limits_figure(curves, numbers))
    (place,) = [one for one in places(svg) if abs(one[0] - x_of(50)) < 1]
    assert place == pytest.approx((x_of(50), (90 - 82.9897) * 8), abs=0.2)
    told = words(svg)
    assert f"{MINUS}3 dB, on axis: 50 Hz" in told and "sensitivity 86.0 dB" in told
    assert any(f"{MINUS}3 dB is half the power, 3.0103 dB." in line for line in told)
    assert any(f"Not marked: On axis, {MINUS}3 dB, upper limit: the data end." in line for line in told)


def test_limits_are_on_the_curve_that_was_chosen(curves):
    """Words, note and curve follow the marks."""
    numbers = {"range.lower_6": limit(38.0, 6, 80.0, "listening_window", "Listening window")}
    told = words(picture(limits_figure(curves, numbers)))
    assert f"{MINUS}6 dB, listening window: 38 Hz" in told and "Listening window" in told
    assert any("Filled circles: limits of the range, listening window, re its mean." in line for line in told)
    assert not any("Listening window" in line for line in words(picture(limits_figure(curves, {}))))


def test_effective_range_room_and_extension_are_marked_each_in_its_shape(curves):
    extension = number(45.0, "Low-frequency extension (LFX) as frequency", mark(45.0, 80.0, "sound_power"))
    numbers = {
        "range.lower_3": limit(50.0, 3, 83.0),
        "range.effective.lower_10": limit(29.0, 10, 76.0, name="Effective frequency range"),
        "range.effective.upper_10": limit(19_000.0, 10, 76.0, name="Effective frequency range", end="upper"),
        "range.in_room.lower_3": limit(48.0, 3, 82.0, "in_room", "In the room (estimated in-room response)"),
        "preference.lfx_frequency": extension | {"note": "sound power 6 dB below the listening window"},
    }
    specification = limits_figure(curves, numbers)
    shapes = [one["mark"]["shape"] for one in specification["vconcat"][0]["layer"] if one["mark"]["type"] == "point"]
    assert set(shapes) == {"circle", "square", "diamond", "triangle-up"}
    told = words(picture(specification))
    assert {
        f"{MINUS}10 dB, effective frequency range: 29 Hz",
        f"{MINUS}10 dB, effective frequency range: 19 kHz",
        f"{MINUS}3 dB, in the room: 48 Hz",
        "LFX: 45 Hz",
        "Sound power (two orbits)",
    } <= set(told)


def test_words_apart_strike_no_curve_and_their_lines_do_not_cross(curves):
    marks = [(30.0, 77.0), (40.0, 80.5), (44.0, 81.5), (50.0, 83.0), (55.0, 82.5), (70.0, 85.0)]
    numbers = {f"range.lower_{at}": limit(hz, at, level) for at, (hz, level) in enumerate(marks, 1)}
    rows = [
        row
        for name, data in datasets(limits_figure(curves, numbers)).items()
        if name.startswith("level_points")
        for row in data
    ]
    assert len(rows) == len(marks) and len({row["words_db"] for row in rows}) == len(marks)
    drawn = curves["level"].sel(curve=["on_axis", "in_room"], frequency=slice(rows[0]["words_hz"], 300.0))
    assert max(row["words_db"] for row in rows) < float(drawn.min()) - 1
    # Two lines that end at one frequency cross where their order at the mark further right is another one than there.
    for one in rows:
        for other in rows:
            if one["at"] < other["at"]:
                along = np.log(other["at"] / one["at"]) / np.log(one["words_hz"] / one["at"])
                passing = one["level"] + along * (one["words_db"] - one["level"])
                assert (passing > other["level"]) == (one["words_db"] > other["words_db"])


def test_words_stand_on_a_white_edge(curves):
    """Whatever else is drawn there, they are read: white under ink, both over the curves."""
    numbers = {"level.sensitivity": number(86.0, "Sensitivity", mark(300.0, high=3000.0))}
    layers = limits_figure(curves, numbers)["vconcat"][0]["layer"]
    kinds = [(one["mark"]["type"], one["mark"].get("stroke")) for one in layers]
    at = kinds.index(("text", "white"))
    assert kinds[at + 1][0] == "text" and "line" in [kind for kind, _ in kinds[:at]]
    assert layers[[kind for kind, _ in kinds].index("line")]["name"] == "level_lines"


def datasets(specification):
    """Data of a specification by name, wherever they stand in it."""
    found = {}

    def look(part):
        if isinstance(part, dict):
            data = part.get("data")
            if isinstance(data, dict) and "values" in data:
                found[data.get("name", "")] = data["values"]
            for one in part.values():
                look(one)
        elif isinstance(part, list):
            for one in part:
                look(one)

    look(specification)
    return found | specification.get("datasets", {})


def deviation(hz, height, cause, curve="on_axis"):
    """One whose shape has its centre beside the place where the curve is highest or lowest."""
    return {"centre_hz": 1.1 * hz, "extreme_hz": hz, "height_db": height, "cause": cause, "curve": curve}


def test_each_deviation_has_its_number_and_the_shape_of_its_cause(curves):
    listed = [
        deviation(300.0, 2.0, "resonance"),
        deviation(900.0, -3.0, "interference or diffraction"),
        deviation(4000.0, -2.0, "not determined"),
        deviation(5000.0, 2.0, "resonance", "nowhere"),
        deviation(6000.0, -2.0, "crossover phase"),
        deviation(8000.0, 2.0, "change of coverage"),
    ]
    specification = deviations_figure(curves, listed)
    svg = picture(specification)
    for hz in (300.0, 900.0, 4000.0):
        assert any(abs(x - x_of(hz)) < 0.5 and abs(y - (90 - 86) * 8) < 1.5 for x, y in places(svg)), hz
    assert {"1", "2", "3"} <= set(words(svg)) and "4" not in words(svg)
    shapes = [
        layer["mark"]["shape"] for layer in specification["vconcat"][0]["layer"] if layer["mark"].get("type") == "point"
    ]
    assert sorted(shapes) == ["circle", "cross", "diamond", "square", "triangle-up"]


def test_no_deviation_is_a_figure_too(curves):
    assert any(line.startswith("Peaks and dips: 0") for line in words(picture(deviations_figure(curves, []))))


def test_curves_without_a_value_are_refused(curves):
    with pytest.raises(InputError, match="no curve has a value"):
        limits_figure(curves.assign(level=curves["level"] * np.nan), {})


def aims(toe_in=(0.0, 10.0, 30.0), best=10.0):
    frequency = np.geomspace(50, 16_000, 60)
    level = np.stack([80 + toe / 30 + 0 * frequency for toe in toe_in])
    attrs = {"device": "rowan", "title": "Rowan", "level_kind": "spl", "smoothing": "none", "listener": 30.0}
    attrs |= {"distance": 1.0, "drive": 2.83} | ({} if best is None else {"best_toe_in": best})
    dataset = xr.Dataset(
        {"level": (("toe_in", "frequency"), level)},
        coords={
            "toe_in": np.array(toe_in),
            "off_axis": ("toe_in", 30.0 - np.array(toe_in)),
            "frequency": frequency,
        },
        attrs=attrs,
    )
    return contract.describe(dataset, "aim")


def test_three_aims_side_by_side():
    told = words(picture(aim_figure(aims())))
    assert "Toe-in 30°, 0° off axis: at the listener" in told
    assert "Toe-in 0°, 30° off axis: parallel" in told
    assert "Toe-in 10°, 20° off axis: best" in told


def test_a_best_aim_that_is_one_of_the_others_is_one_line():
    told = words(picture(aim_figure(aims(best=30.0))))
    assert "Toe-in 30°, 0° off axis: at the listener; best" in told
    assert len([line for line in told if line.startswith("Toe-in")]) == 2


def test_without_a_best_aim():
    told = words(picture(aim_figure(aims(best=None))))
    assert len([line for line in told if line.startswith("Toe-in")]) == 2


def test_a_band_of_uncertainty_does_not_bridge_a_gap():
    """Two runs of values are two outlines, whatever the renderer joins within each."""
    frequency = np.geomspace(20.0, 20_000.0, 100)
    values = np.where((frequency > 500) & (frequency < 2000), np.nan, 80.0)
    series = Series("one", "one", "One", values, "#000000", (1, 0), np.full(100, 1.0))
    panel = Panel("level", "Level in dB", (40.0, 90.0), (series,))
    svg = picture(stack_panels(frequency, [panel], title="Rowan", lines=[], notes=[], band=(20.0, 20_000.0)))
    (outline,) = [
        path.get("d", "") for path in svg.iter(f"{SVG}path") if "area" in path.get("aria-roledescription", "")
    ]
    assert outline.count("M") == 2
