"""Which figures a device has: each from outputs that allow it, none from outputs that do not."""

import importlib
import json
import re
from typing import get_args

import pytest

import modelled_speaker as model
import valid_datasets
from anechain.campaign.figures import DeviceFigureName
from anechain.cautions import LEVEL_CAUTION
from anechain.data.store import write_artefact, write_dataset
from anechain.figures.device_figure import level_slug
from anechain.figures.device_figures import USES, device_figures, read_outputs
from anechain.methods import methods
from anechain.receipts.receipt import make_receipt
from anechain.registry.figures import FIGURES

ALWAYS = ["curves", "planes", "bounces", "map-horizontal", "map-vertical"]
BESIDE = {
    "directivity.nc": ["beam-width"],
    "aim.nc": ["aim"],
    "timing.nc": ["time", "phase"],
    "distortion.nc": ["distortion-81"],
    "compression.nc": ["compression", "compression-levels", "usable"],
    "multitone.nc": ["multitone"],
    "impedance.nc": ["impedance"],
}
"""Figures that a dataset adds, in the order in which they are shown."""


@pytest.fixture(scope="module")
def outputs():
    """What every device has: responses and curve set of a loudspeaker that is known."""
    responses = model.responses(model.log_frequencies())
    return {"responses.nc": responses, "curves.nc": model.curves(responses)}


@pytest.fixture(scope="module")
def whole(outputs):
    return outputs | {name: valid_datasets.VALID[name.removesuffix(".nc")]() for name in BESIDE}


def names(data):
    return [figure.name for figure in device_figures(data)]


def test_two_orbits_alone(outputs):
    assert names(outputs) == ALWAYS


@pytest.mark.parametrize("name", BESIDE)
def test_each_dataset_adds_its_own(outputs, whole, name):
    assert names(outputs | {name: whole[name]}) == [*ALWAYS, *BESIDE[name]]


def test_all_in_their_order(whole):
    assert names(whole) == [*ALWAYS, *(figure for of in BESIDE.values() for figure in of)]


def test_a_campaign_chooses_among_them(whole):
    wanted = ["map-vertical", "distortion", "curves"]
    assert [one.name for one in device_figures(whole, wanted)] == ["curves", "map-vertical", "distortion-81"]
    assert not list(device_figures(whole, []))


def test_a_campaign_can_choose_every_figure_and_no_other():
    assert get_args(DeviceFigureName) == tuple(FIGURES)


@pytest.mark.parametrize("kind", FIGURES.values(), ids=lambda kind: kind.name)
def test_every_entry_names_a_function_and_registered_methods(kind):
    module, _, function = kind.function.partition(":")
    assert callable(getattr(importlib.import_module(f"anechain.figures.{module}"), function))
    assert set(kind.methods) <= methods().keys() and kind.needs


def test_numbers_add_theirs_and_trends_where_there_are_some(outputs):
    document = {"numbers.json": {"order": [], "deviations": []}}
    assert names(outputs | document) == [*ALWAYS[:3], "limits", "deviations", *ALWAYS[3:]]
    both = outputs | document | {"trends.nc": valid_datasets.trends()}
    assert names(both) == [*ALWAYS[:3], "limits", "trends", "deviations", *ALWAYS[3:]]
    for figure in device_figures(both, ["limits", "trends", "deviations"]):
        assert figure.make(*(both[name] for name in figure.reads))["description"]


def test_a_level_that_could_not_be_had_has_no_figure(outputs, whole):
    gap = whole["distortion.nc"].assign_attrs(gaps=json.dumps({"81": "no take reaches it"}))
    assert names(outputs | {"distortion.nc": gap}) == ALWAYS


def test_one_orbit_and_an_empty_curve_set(outputs):
    one = outputs["responses.nc"].sel(plane=["vertical"])
    none = outputs["curves.nc"].isel(curve=[], index=[])
    assert names({"responses.nc": one, "curves.nc": outputs["curves.nc"]}) == [*ALWAYS[:3], "map-vertical"]
    assert names({"responses.nc": one, "curves.nc": none}) == []


def test_a_map_reads_the_beam_width_where_there_is_one(outputs, whole):
    """So that its receipt names what its line is made from."""
    for data, reads in ((outputs, ("responses.nc",)), (whole, ("responses.nc", "directivity.nc"))):
        maps = list(device_figures(data, ["map-horizontal", "map-vertical"]))
        assert [one.reads for one in maps] == [reads] * 2
        words = [json.dumps(one.make(*(data[name] for name in one.reads))) for one in maps]
        assert all(("Solid line" in told) == (data is whole) for told in words)


def test_every_figure_is_drawn_from_what_it_reads(whole):
    """Of several levels each has its own: what is drawn last is not drawn every time."""
    descriptions = {}
    for figure in device_figures(whole):
        specification = figure.make(*(whole[name] for name in figure.reads))
        assert specification["$schema"].startswith("https://vega.github.io/schema/vega-lite/")
        descriptions[figure.name] = specification["description"]
        assert re.fullmatch(r"[a-z0-9_-]+", figure.name) and figure.caption.endswith(".")
        assert set(figure.methods) <= set(USES) <= methods().keys()
    assert all(plane in descriptions[f"map-{plane}"].lower() for plane in ("horizontal", "vertical"))


def test_where_levels_are_high_the_caution_is_shown(whole):
    cautioned = {figure.name for figure in device_figures(whole) if LEVEL_CAUTION in figure.caption}
    assert cautioned == {"distortion-81", "compression", "compression-levels", "usable", "multitone"}


def test_the_impedance_is_drawn_with_its_uncertainty_where_that_is_there(whole):
    known = valid_datasets.VALID["impedance_uncertainty"]()
    for more, reads in (({}, ()), ({"impedance_uncertainty.nc": known}, ("impedance_uncertainty.nc",))):
        data = whole | more
        (figure,) = device_figures(data, ["impedance"])
        assert figure.reads == ("impedance.nc", *reads)
        words = json.dumps(figure.make(*(data[name] for name in figure.reads)))
        assert ("Pale bands" in words) is bool(reads)


@pytest.mark.parametrize(("level", "slug"), [(86.0, "86"), (86.5, "86_5"), (100.0, "100"), (0.0, "0")])
def test_a_level_in_a_files_name(level, slug):
    assert level_slug(level) == slug


def test_outputs_are_read_by_the_name_of_their_file(tmp_path):
    receipt = make_receipt("derive", 1, {}, [])
    write_dataset(tmp_path / "aim.nc", valid_datasets.aim(), receipt)
    write_artefact(tmp_path / "checks.json", b'{"checks":[]}', receipt)
    write_artefact(tmp_path / "curves.csv", b"a,b\n", receipt)
    read = read_outputs({path.name: path for path in tmp_path.iterdir()})
    assert set(read) == {"aim.nc", "checks.json"}
    assert read["checks.json"]["checks"] == []
    assert read["aim.nc"]["level"].equals(valid_datasets.aim()["level"])
