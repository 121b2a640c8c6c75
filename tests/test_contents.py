"""How the rows and numbers of a file are named."""

import numpy as np
import xarray as xr

import valid_datasets
from anechain.audit.contents import read_contents
from anechain.data.store import write_dataset

GRID = np.array([100.0, 200.0, 400.0, 800.0])


def test_what_a_dataset_holds_is_named_by_its_coordinates(tmp_path):
    from anechain.receipts.receipt import make_receipt

    write_dataset(tmp_path / "responses.nc", valid_datasets.responses(), make_receipt("ingest", 1, {}, []))
    (content,) = read_contents(tmp_path / "responses.nc")
    assert (content.file_kind, content.device, content.level_kind) == ("responses", "alder", "spl")
    assert len(content.blocks["level"].names) == 72 and "vertical -60°" in content.blocks["level"].names
    assert content.blocks["phase"].names[0].startswith("phase horizontal")
    write_dataset(tmp_path / "sphere.nc", valid_datasets.sphere(), make_receipt("ingest", 1, {}, []))
    (content,) = read_contents(tmp_path / "sphere.nc")
    assert len(set(content.blocks["level"].names)) == len(content.numbers)
    harmonics = xr.Dataset(
        {"level": (("drive", "order", "frequency"), np.ones((2, 3, 4)), {"units": "dB"})},
        coords={"drive": ("drive", [2.83, 5.66], {"units": "V"}), "order": [1, 2, 3], "frequency": GRID},
    )
    write_dataset(tmp_path / "harmonics.nc", harmonics, make_receipt("distortion", 1, {}, []))
    (content,) = read_contents(tmp_path / "harmonics.nc")
    assert content.blocks["level"].names[1] == "level 2.83 V order 2"
