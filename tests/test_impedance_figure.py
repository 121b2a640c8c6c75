"""The impedance's figure against IEC 60263, closed forms, and the rendered picture."""

import json
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from anechain.data.store import read_dataset, read_receipt
from anechain.errors import InputError
from anechain.figures.impedance import impedance_figure
from anechain.figures.impedance_panels import ohm_limits, phase_limits
from anechain.figures.render import render
from anechain.registry.stages import DEVICE_STAGES
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch
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


def banded(z, **parts):
    """The dataset of uncertainties, standard, that belongs to an impedance: shares of the modulus, degrees of phase."""
    columns = {
        name: ("frequency", np.abs(z) * size if name.startswith("magnitude") else np.full(z.size, size))
        for name, size in parts.items()
    }
    return xr.Dataset(columns, {"frequency": GRID}, {"coverage_factor": 2.0})


def areas_of(svg):
    groups = [g for g in svg.iter(f"{SVG}g") if "mark-area" in g.get("class", "")]
    return [
        np.array(re.findall(r"(-?[\d.]+),(-?[\d.]+)", part.get("d", "")), float)
        for group in groups
        for part in group.iter(f"{SVG}path")
    ]


def test_the_bands_are_as_wide_as_the_expanded_uncertainty():
    """8 ohm, 3 % and 4 % by squares are 5 %, twice that 10 %: from 7.2 to 8.8 ohm. 6 degrees: 12 either way."""
    z = np.full(GRID.size, 8.0 + 0j)
    known = banded(z, magnitude_common=0.03, magnitude_own=0.04, phase_common=6.0, phase_own=0.0)
    spec = impedance_figure(dataset(z), known)
    modulus, phase = areas_of(ElementTree.fromstring(render(spec)["svg"]))
    low, high = spec["vconcat"][0]["layer"][-2]["encoding"]["y"]["scale"]["domain"]
    assert (low, high) == (5, 50)
    edges = sorted({round(float(y), 1) for y in modulus[:, 1]})
    assert edges == pytest.approx([200 * np.log10(50 / 8.8), 200 * np.log10(50 / 7.2)], abs=0.1)
    # 150 pixels from 90 to -90 degrees.
    assert sorted({round(float(y), 1) for y in phase[:, 1]}) == pytest.approx([65.0, 85.0], abs=0.1)
    words = " ".join(words_of(spec).split())
    assert "expanded uncertainty (k = 2) of the stated components and the spread of takes" in words
    assert "median ± 10 % of the modulus and ± 12° of the phase" in words


def test_only_what_is_known_has_a_band():
    z = vented(40.0)
    unknown = {"magnitude_common": np.nan, "magnitude_own": np.nan}
    spec = impedance_figure(dataset(z), banded(z, phase_common=1.0, phase_own=0.0, **unknown))
    assert len(areas_of(ElementTree.fromstring(render(spec)["svg"]))) == 1
    words = " ".join(words_of(spec).split())
    assert "of the stated components; median ± 2° of the phase" in words and "% of the modulus" not in words
    assert "Pale bands" not in words_of(
        impedance_figure(dataset(z, phase=False), banded(z, phase_common=1.0, **unknown))
    )
    assert "Pale bands" not in words_of(impedance_figure(dataset(z)))
    # A lower edge below zero ends where the axis does.
    wide = impedance_figure(dataset(z), banded(z, magnitude_common=0.7, magnitude_own=0.0))
    low = wide["vconcat"][0]["layer"][-2]["encoding"]["y"]["scale"]["domain"][0]
    (data,) = wide["datasets"]["impedance"] if "datasets" in wide else wide["data"]["values"]
    assert min(data["modulus_low"]) == low > 0


def points(spec, panel=0):
    found = []
    for layer in spec["vconcat"][panel]["layer"]:
        mark = layer["mark"]
        if isinstance(mark, dict) and mark["type"] == "point":
            found.append({"encoding": mark["shape"], **layer["data"]["values"][0]})
    return found


def test_the_extremes_of_the_phase_are_marked():
    """R, L and C in series: -atan(1 / (w C R)) where L is nothing, atan(w L / R) where C is; both at the ends."""
    omega = 2 * np.pi * GRID
    spec = impedance_figure(dataset(8.0 + 1j * omega * 0.2e-3 + 1 / (1j * omega * 1e-3)))
    low, high = points(spec, 1)
    start, end = 2 * np.pi * low["frequency"], 2 * np.pi * high["frequency"]
    assert low["frequency"] == pytest.approx(20, rel=0.05) and high["frequency"] == pytest.approx(20_000, rel=0.05)
    assert low["phase"] == pytest.approx(-np.rad2deg(np.arctan(1 / (start * 1e-3 * 8))), abs=0.3)
    assert high["phase"] == pytest.approx(np.rad2deg(np.arctan(end * 0.2e-3 / 8)), abs=0.3)


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
    assert "The box tuning is below the frequency axis." in words_of(below)
    rising = impedance_figure(dataset(3.3 + 2j * np.pi * GRID * 1e-3))
    assert "the modulus may be lower beyond" in words_of(rising) and "rated impedance 4 Ω" in words_of(rising)
    tiny = impedance_figure(dataset(np.full(GRID.size, 1.0 + 0j)))
    assert "no rated impedance: 1.00 ohm is below 80 % of 2 ohm" in words_of(tiny)


def test_nothing_on_the_axis_is_refused():
    with pytest.raises(InputError, match="no value in the band"):
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
    text = (
        "anechain: 1\ntitle: Trial halls\nfigures: {formats: [svg], of_devices: [impedance]}\ndevices:\n"
        + delimited_device("alder", "Alder")
    )
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
        "phase-range",
        "rated-impedance",
    }
    assert [one["role"] for one in step["inputs"]] == ["impedance.nc"]
    assert "Box tuning" in path.read_text()


def test_the_chain_carries_what_is_stated_and_the_spread_of_takes(tmp_path):
    write_delimited(tmp_path / "raw" / "alder", "alder", 0.6)
    for take, share in enumerate((0.99, 1.0, 1.01)):
        rows = zip(GRID, vented(40.0), strict=True)
        lines = [f"{f:.4f};{share * abs(z):.6f};{np.rad2deg(np.angle(z)):.4f}\n" for f, z in rows]
        (tmp_path / "raw" / f"alder z{take}.txt").write_text("Hz;Ohm;deg\n" + "".join(lines))
    file = tmp_path / "campaign.yaml"
    file.write_text(
        "anechain: 1\ntitle: Trial halls\nfigures: {formats: [svg], of_devices: [impedance]}\n"
        "uncertainty: {impedance: {value: 1}, impedance_phase: {value: 0.5}}\n"
        f"devices:\n{delimited_device('alder', 'Alder')}"
        '    impedance: {files: ["raw/alder z*.txt"], importer: columns, options: {repeats: true}}\n'
    )
    plan = prepare(file)
    (batch,) = plan.batches
    for stage in DEVICE_STAGES[: DEVICE_STAGES.index("draw") + 1]:
        run_batch(plan, stage, batch)
    known = read_dataset(plan.results / "alder" / "impedance_uncertainty.nc")
    # 1 % from take to take is 1/root 3 % for the mean of three, beside the 1 % that is stated.
    own, common = known["magnitude_own"] / np.abs(vented(40.0)), known["magnitude_common"] / np.abs(vented(40.0))
    assert own.values == pytest.approx(0.01 / np.sqrt(3), rel=1e-3) and common.values == pytest.approx(0.01, rel=1e-3)
    numbers = json.loads((plan.results / "alder" / "numbers.json").read_text())
    least = numbers["impedance.minimum"]
    # Told to three digits.
    assert least["uncertainty"] == pytest.approx(2 * np.hypot(0.01, 0.01 / np.sqrt(3)) * least["value"], rel=5e-3)
    drawn = plan.results / "figures" / "alder-impedance.svg"
    receipt = read_receipt(drawn)
    roles = [one["role"] for one in receipt["steps"][receipt["stamp"]]["inputs"]]
    assert roles == ["impedance.nc", "impedance_uncertainty.nc"] and "Pale bands" in drawn.read_text()
