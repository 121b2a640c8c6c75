"""The impedance's figure against IEC 60263, closed forms, and the rendered picture."""

import json
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from anechain.errors import Refusal
from anechain.figures.impedance import impedance_figure, ohm_limits, phase_limits
from anechain.figures.render import render
from anechain.plan import DEVICE_STAGES, prepare
from anechain.stages.batch import run_batch
from anechain.store import read_receipt
from campaigns import delimited_device, write_delimited

SVG = "{http://www.w3.org/2000/svg}"
GRID = np.geomspace(10, 20_000, 600)


def dataset(z, frequency=GRID, phase=True, **attrs):
    data = {"magnitude": ("frequency", np.abs(z))}
    if phase:
        data["phase"] = ("frequency", np.rad2deg(np.angle(z)))
    return xr.Dataset(data, {"frequency": frequency}, {"title": "Rowan", **attrs})


def peak(height, centre, q, frequency=GRID):
    return height / (1 + 1j * q * (frequency / centre - centre / frequency))


def vented(tuning, frequency=GRID, box=30e-3):
    """Coil of 5.6 ohm; driver at the tuning's frequency, whose motion a lossless port shorts there (Small 1973)."""
    s, omega = 2j * np.pi * frequency, 2 * np.pi * tuning
    driver = 1 / 60 + s * 300e-6 + omega**2 * 300e-6 / s
    branch = s * box + omega**2 * box / s
    return 5.6 + 1 / (driver + 1 / branch) + s * 0.1e-3


def words_of(spec):
    titles = [spec["title"], *(panel.get("title", {}) for panel in spec["vconcat"])]
    return "\n".join(line for one in titles for key in ("text", "subtitle") for line in one.get(key, []))


def texts(svg):
    found = []
    for element in svg.iter(f"{SVG}text"):
        lines = list(element.iter(f"{SVG}tspan"))
        found += ["".join(line.itertext()) for line in lines] or ["".join(element.itertext())]
    return found


def panels_of(svg):
    paths = [p.get("d", "") for p in svg.iter(f"{SVG}path") if p.get("class") == "background"]
    return [(float(m[1]), float(m[2])) for d in paths if (m := re.match(r"M0.5,0.5h(\d+)v([\d.]+)h", d))]


def lines_of(svg):
    groups = [g for g in svg.iter(f"{SVG}g") if "mark-line" in g.get("class", "")]
    return [
        np.array(re.findall(r"(-?[\d.]+),(-?[\d.]+)", part.get("d", "")), float)
        for group in groups
        for part in group.iter(f"{SVG}path")
    ]


def x_of(frequency):
    return 600 * np.log10(frequency / 20) / 3


@pytest.fixture(scope="module")
def spec():
    return impedance_figure(dataset(vented(40.0), drive=0.5))


@pytest.fixture(scope="module")
def drawn(spec):
    return ElementTree.fromstring(render(spec)["svg"])


def test_a_decade_of_ohms_is_as_long_as_one_of_frequency(spec, drawn):
    # IEC 60263:2020, clause 4.2: 0.5, 1, 1.25 or 2.5 decades of a logarithmic amplitude to a decade of frequency.
    sizes = panels_of(drawn)
    assert len(sizes) == 3
    for (width, height), panel in zip(sizes, spec["vconcat"], strict=True):
        scale = panel["layer"][-2]["encoding"]["y"]["scale"]
        if scale["type"] == "log":
            low, high = scale["domain"]
            assert height / np.log10(high / low) == pytest.approx(width / 3, rel=0.005)


def test_a_resistor_is_a_level_line_where_its_value_is():
    spec = impedance_figure(dataset(np.full(GRID.size, 8.0 + 0j)))
    svg = ElementTree.fromstring(render(spec)["svg"])
    modulus, phase, dissipation = lines_of(svg)
    low, high = spec["vconcat"][0]["layer"][-2]["encoding"]["y"]["scale"]["domain"]
    assert (low, high) == (5, 50)
    assert modulus[:, 1] == pytest.approx(200 * np.log10(50 / 8), abs=0.1)
    assert phase[:, 1] == pytest.approx(75, abs=0.1)  # zero degrees, in the middle of 150 pixels
    # A resistance is its own equivalent.
    assert dissipation[:, 1] == pytest.approx(200 * np.log10(50 / 8), abs=0.1)
    assert "rated impedance 8 Ω" in words_of(spec)


def test_saddle_and_minimum_are_marked(spec, drawn):
    words = words_of(spec)
    assert "Electrical impedance; 0.5 V" in words
    # At the tuning the lossless port shorts the motion: the coil's resistance is left.
    assert re.search(r"Box tuning (39\.9|40|40\.1) Hz, where the modulus is 5\.6 Ω", words)
    assert "Minimum impedance 5.6" in words and "rated impedance 6 Ω" in words
    assert {"box tuning", "minimum", "rated 6 Ω"} <= set(texts(drawn))
    (mark,) = [one for one in points(spec) if one["encoding"] == "diamond"]
    assert mark["frequency"] == pytest.approx(40, rel=0.005) and mark["modulus"] == pytest.approx(5.6, rel=0.005)


def points(spec):
    found = []
    for layer in spec["vconcat"][0]["layer"]:
        mark = layer["mark"]
        if isinstance(mark, dict) and mark["type"] == "point":
            found.append({"encoding": mark["shape"], **layer["data"]["values"][0]})
    return found


def test_without_phase_one_panel_says_why():
    spec = impedance_figure(dataset(vented(40.0), phase=False))
    assert len(spec["vconcat"]) == 1
    assert "Not shown (the phase was not measured): Phase; Equivalent peak dissipation." in words_of(spec)
    empty = dataset(vented(40.0))
    empty["phase"] = empty["phase"] * np.nan
    assert len(impedance_figure(empty)["vconcat"]) == 1


def test_a_closed_box_has_no_tuning_and_says_so():
    spec = impedance_figure(dataset(5.6 + peak(40, 60, 4)))
    assert "Box tuning not marked (one peak: there is no saddle)." in words_of(spec)
    assert [one["encoding"] for one in points(spec)] == ["circle"]


def test_what_lies_off_the_axis_or_at_an_edge_is_said():
    below = impedance_figure(dataset(vented(18.0, box=0.3)))
    assert "The box tuning lies below the frequency axis." in words_of(below)
    rising = impedance_figure(dataset(3.3 + 2j * np.pi * GRID * 1e-3))
    assert "it may be lower beyond" in words_of(rising) and "rated impedance 4 Ω" in words_of(rising)
    tiny = impedance_figure(dataset(np.full(GRID.size, 1.0 + 0j)))
    assert "no rated impedance: 1.00 ohm is below 80 % of 2 ohm" in words_of(tiny)


def test_nothing_on_the_axis_is_refused():
    with pytest.raises(Refusal, match="no value in the band"):
        impedance_figure(dataset(np.full(3, 8.0 + 0j), np.array([5.0, 10.0, 15.0])))


def test_a_phase_beyond_a_quarter_turn_has_room():
    spec = impedance_figure(dataset(-vented(40.0)))
    assert spec["vconcat"][1]["layer"][-2]["encoding"]["y"]["scale"]["domain"] == [-180, 180]
    assert phase_limits([np.nan]) == phase_limits([-90, 90]) == (-90, 90)


@given(st.lists(st.floats(1e-3, 1e6), min_size=1, max_size=8))
def test_the_ohm_axis_holds_its_data_on_a_raster(values):
    low, high = ohm_limits([*values, np.nan])
    assert f"{low:e}"[0] in "125" and f"{high:e}"[0] in "125"
    assert high >= 10 * low * (1 - 1e-9)
    assert max(values) * 1.19 <= high
    assert low <= max(min(values) / 1.19, high / 1e4)


def test_limits_without_data():
    assert ohm_limits([np.nan, 0.0]) == (1.0, 10.0)


def test_the_same_data_give_the_same_bytes(spec):
    again = impedance_figure(dataset(vented(40.0), drive=0.5))
    assert json.dumps(again) == json.dumps(spec)


def test_the_chain_draws_what_was_imported(tmp_path):
    write_delimited(tmp_path / "raw" / "alder", "alder", 0.6)
    z = vented(40.0)
    rows = "".join(f"{f:.4f};{abs(one):.4f}\n" for f, one in zip(GRID, z, strict=True))
    (tmp_path / "raw" / "alder z.txt").write_text("Hz;Ohm\n" + rows)
    text = "anechain: 1\ntitle: Trial halls\nfigures: {formats: [svg]}\ndevices:\n" + delimited_device("alder", "Alder")
    source = "    impedance: {files: [raw/alder z.txt]}\n"
    file = tmp_path / "campaign.yaml"

    file.write_text(text + source)
    plan = prepare(file)
    (batch,) = plan.batches
    for stage in DEVICE_STAGES[: DEVICE_STAGES.index("draw") + 1]:
        run_batch(plan, stage, batch)
    assert "figures/alder-impedance.svg" in plan.manifest("draw", batch).read_text()
    path = tmp_path / "results" / "figures" / "alder-impedance.svg"
    receipt = read_receipt(path)
    step = receipt["steps"][receipt["stamp"]]
    assert step["parameters"]["methods"].keys() == {
        "box-tuning",
        "equivalent-dissipation",
        "minimum-impedance",
        "rated-impedance",
    }
    assert [one["role"] for one in step["inputs"]] == ["impedance.nc"]
    assert "Box tuning" in path.read_text()
