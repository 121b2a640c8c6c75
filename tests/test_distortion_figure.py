"""Figures of distortion: the scales, what is drawn as a value and what as a limit, and the words."""

import json
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from anechain.campaign.distortion import DistortionOptions
from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figure_of_merit.distortion_comparison import distortion_comparison
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.figures.distortion import distortion_figure
from anechain.figures.distortion_comparison import distortion_comparison_figure
from anechain.figures.render import render
from anechain.methods import versions
from anechain.stages.distortion import USES
from distortion_data import FREQUENCY, harmonics, orders_of

SVG = "{http://www.w3.org/2000/svg}"


def distortion(data, levels=(86.0, 96.0)):
    return distortion_dataset(
        data, DistortionOptions(levels=levels).model_dump(mode="json") | {"methods": versions(USES)}
    )


def data_of(spec):
    [columns] = spec["datasets"]["distortion"] if "datasets" in spec else spec["data"]["values"]
    return columns


def words_of(spec):
    found = [spec["title"]["text"], spec["title"]["subtitle"], spec["vconcat"][-1]["title"]["text"]]
    return " ".join(line for part in found for line in ([part] if isinstance(part, str) else part))


@pytest.fixture(scope="module")
def spec():
    return distortion_figure(distortion(harmonics(noise=40.0)), 86.0)


def test_the_scales_are_those_of_iec_60263(spec):
    """One decade as long as 50 dB, in both panels; per cent on a logarithmic scale, where 20 dB are a factor of ten."""
    orders, sums = spec["vconcat"]
    width = orders["width"] / 3  # a decade of 20 Hz to 20 kHz
    low, high = orders["layer"][-1]["encoding"].get("y", orders["layer"][-2]["encoding"]["y"])["scale"]["domain"]
    assert orders["height"] / (high - low) == pytest.approx(width / 50)
    scale = sums["layer"][-2]["encoding"]["y"]["scale"]
    assert scale["type"] == "log"
    span = 20 * np.log10(scale["domain"][1] / scale["domain"][0])
    assert sums["height"] / span == pytest.approx(width / 50)


def test_what_is_heard_is_drawn_however_high_the_distortion_rises_in_the_bass():
    data = harmonics()
    data["level"][:, 1:, :6] = data["level"][:, 1:, :6] + 50.0
    for panel in distortion_figure(distortion(data), 86.0)["vconcat"]:
        scale = panel["layer"][-2]["encoding"]["y"]["scale"]
        assert scale["domain"][0] <= (0.01 if scale["type"] == "log" else -80.0)


def test_values_are_drawn_as_values_and_limits_as_limits(spec):
    """Order 2 is above the noise everywhere; order 3 nowhere; no value stands among the limits' columns' own."""
    columns = data_of(spec)
    one, two, _ = orders_of(86.0)
    told = [value for value in columns["order_2"] if value is not None]
    np.testing.assert_allclose(told, two - one, atol=0.01)
    assert "order_3" not in columns and any(value is not None for value in columns["order_3_limit"])
    assert "order_2_limit" not in columns
    marks = [at for at, value in enumerate(columns["order_3_mark"]) if value is not None]
    limits = [at for at, value in enumerate(columns["order_3_limit"]) if value is not None]
    # A mark in each sixth of an octave, of twelve points per octave.
    assert len(limits) / 2 <= len(marks) <= len(limits) / 2 + 2


def test_what_the_words_say(spec):
    words = words_of(spec)
    for part in ("Rowan", "86 dB", "300 Hz to 3 kHz, at 1 m", "Take at 2 V", "upper limits", "Grey: noise"):
        assert part in words
    assert LEVEL_CAUTION.split(";")[0] in words
    between = words_of(distortion_figure(distortion(harmonics(), (83.0,)), 83.0))
    assert "Interpolated between takes at 1.002 V and 2 V" in between and "upper limits" not in between
    assert "The noise is unknown" in words_of(distortion_figure(distortion(harmonics(noise=np.nan)), 86.0))


def test_sums_that_hidden_orders_hardly_change_are_drawn_as_values():
    """A hidden third order 6 dB below the second counts in the sum; 31 dB below it, by 0.01 dB, it does not."""
    loose = data_of(distortion_figure(distortion(harmonics(noise=40.0)), 86.0))
    assert any(value is not None for value in loose["sum_thd_f_limit"])
    data = harmonics(noise=20.0)
    data["level"][:, 2] = data["level"][:, 2] - 25.0
    tight = data_of(distortion_figure(distortion(data), 86.0))
    assert "order_3" not in tight and "sum_thd_f_limit" not in tight


def test_peaks_are_named():
    data = harmonics(levels=(86.0,))
    data["level"][0, 2] = data["level"][0, 2] + 12 * np.exp(-((np.log2(FREQUENCY / 500) / 0.15) ** 2))
    assert "order 3 at 500 Hz (audible at 1.5 kHz), 12 dB high" in words_of(distortion_figure(distortion(data), 86.0))


def test_levels_that_are_not_there_are_refused():
    found = distortion(harmonics())
    for level, word in ((96.0, "extrapolated"), (90.0, "no such level")):
        with pytest.raises(InputError, match=word):
            distortion_figure(found, level)


def test_it_renders_with_a_line_for_each_value(spec):
    svg = ElementTree.fromstring(render(spec)["svg"])
    text = "".join(svg.itertext())
    assert "2nd harmonic" in text and "THD, re fundamental" in text and "Orders 2 and 3" in text


def test_side_by_side():
    two = {name: distortion(harmonics().assign_attrs(title=name.title())) for name in ("rowan", "alder")}
    two["elm"] = distortion(harmonics(environment="Yard").assign_attrs(title="Elm"))
    found = distortion_comparison(two, {name: name.title() for name in two})
    spec = distortion_comparison_figure(found, 86.0)
    words = words_of(spec)
    assert "Distortion at 86 dB" in words and "2 devices" in words
    assert "Not compared: Elm, since it was measured in another environment (Yard)" in words
    assert "Measured in: Hall of the workshop." in words and LEVEL_CAUTION.split(";")[0] in words
    svg = "".join(ElementTree.fromstring(render(spec)["svg"]).itertext())
    assert "Rowan" in svg and "THD re fundamental in per cent" in svg
    with pytest.raises(InputError, match="no such level"):
        distortion_comparison_figure(found, 96.0)
    quiet = {name: distortion(harmonics((60.0, 70.0))) for name in two}
    with pytest.raises(InputError, match="no device has a value"):
        distortion_comparison_figure(distortion_comparison(quiet, {name: name.title() for name in two}), 86.0)
    assert json.dumps(spec)
