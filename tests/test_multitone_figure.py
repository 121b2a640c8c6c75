"""The figure of a multitone: what a polynomial puts between the tones, where closed forms say."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import xarray as xr

from anechain.data import contract
from anechain.errors import InputError
from anechain.figures.multitone import MAX_DRIVES, multitone_figure
from anechain.figures.render import render
from test_merits import datasets, words

BANDS = np.array([100.0, 200.0, 400.0, 800.0])


def multitone(drives=(1.0, 2.0), tones=80.0, noise=10.0):
    """A quadratic term: what lies between the tones rises by 12 dB where they rise by 6 dB."""
    step = 20 * np.log10(np.asarray(drives))[:, None]
    shape = (len(drives), BANDS.size)
    level = tones + step + np.zeros(shape)
    between = 30 + 2 * step + np.zeros(shape)
    dims = ("drive", "frequency")
    whole = 10 * np.log10((10 ** (level / 10)).sum(axis=1))
    data = xr.Dataset(
        {
            "tones": (dims, level),
            "between": (dims, between),
            "noise": (dims, np.full(shape, noise)),
            "free": (dims, np.full(shape, 0.5)),
            "tone_level": (("drive", "tone"), level),
            "level": ("drive", whole),
            "ratio": ("drive", 10 * np.log10((10 ** (between / 10)).sum(axis=1)) - whole),
        },
        coords={"drive": np.asarray(drives), "tone": BANDS, "frequency": BANDS},
        attrs={
            "device": "alder",
            "title": "Alder",
            "level_kind": "spl",
            "importer": "x",
            "importer_version": "1",
            "import_report": "",
            "distance": 1.0,
        },
    )
    return contract.describe(data, "multitone")


def test_the_louder_drive_has_more_between_its_tones():
    data = multitone()
    contract.validate(data, "multitone", "alder")
    (row,) = datasets(multitone_figure(data))["curves"]
    assert row["drive_1"] == pytest.approx([30 - 80 + 6.02] * 4, abs=0.01)
    assert row["drive_0"] == pytest.approx([30 - 80] * 4, abs=0.01)
    assert row["noise"] == pytest.approx([10 - 86.02] * 4, abs=0.01)


def test_what_it_says():
    told = " ".join(words(ElementTree.fromstring(render(multitone_figure(multitone()))["svg"])))
    assert "between 4 tones, by band" in told and "Caution" in told
    assert "\N{MINUS SIGN}44.0 dB at 2 V" in told and "2 V (92.0 dB)" in told


def test_of_many_drives_the_loudest_are_drawn():
    many = multitone(drives=tuple(float(n) for n in range(1, 10)))
    (row,) = datasets(multitone_figure(many))["curves"]
    assert len([name for name in row if name.startswith("drive_")]) == MAX_DRIVES and "drive_8" in row
    assert "6 highest of 9 drives" in str(multitone_figure(many)["title"])


def test_nothing_between_is_refused():
    with pytest.raises(InputError, match="no band has a tone"):
        multitone_figure(multitone().assign(between=multitone()["between"] * np.nan))
