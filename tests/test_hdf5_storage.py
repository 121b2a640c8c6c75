"""HDF5 files that take data from other files, or lack data, as h5py writes them."""

import os

import h5py
import netCDF4
import numpy as np
import pytest

import anechain_sofa
from anechain.errors import InputError
from anechain.importing.containers import open_container
from anechain.importing.hdf5_storage import refuse_data_elsewhere, unwritten
from anechain_sofa.options import SofaOptions
from container_files import save

LEVEL = np.arange(12.0).reshape(3, 4)


def external_storage(file, folder):
    (folder / "other.bin").write_bytes(os.urandom(96))
    file.create_dataset("group/level", (3, 4), "f8", external=[(str(folder / "other.bin"), 0, 96)])


def virtual_dataset(file, folder):
    with h5py.File(folder / "other.h5", "w") as other:
        other["level"] = LEVEL
    layout = h5py.VirtualLayout((3, 4), "f8")
    layout[:] = h5py.VirtualSource(folder / "other.h5", "level", (3, 4))
    file.create_virtual_dataset("group/level", layout)


def missing_virtual_source(file, _folder):
    layout = h5py.VirtualLayout((3, 4), "f8")
    layout[:] = h5py.VirtualSource("absent.h5", "level", (3, 4))
    file.create_virtual_dataset("group/level", layout, fillvalue=0.0)


def external_link(file, folder):
    with h5py.File(folder / "other.h5", "w") as other:
        other["level"] = LEVEL
    file["group/level"] = h5py.ExternalLink(str(folder / "other.h5"), "/level")


ELSEWHERE = {
    external_storage: "external storage",
    virtual_dataset: "a virtual dataset",
    missing_virtual_source: "a virtual dataset",
    external_link: "a link to 'other.h5'",
}


@pytest.mark.parametrize("write", ELSEWHERE, ids=lambda write: write.__name__)
def test_data_of_another_file_are_refused(tmp_path, write):
    """Each kind: HDF5 User Guide, chapters on external storage, virtual datasets and external links."""
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["f"] = [100.0, 200.0, 300.0]
        write(file, tmp_path)
        file["again"] = file["/"]  # a group that contains itself is searched once
    for read in (
        lambda: refuse_data_elsewhere(tmp_path / "a.h5", "a.h5"),
        lambda: open_container(tmp_path / "a.h5", "a.h5").__enter__(),
    ):
        with pytest.raises(InputError) as caught:
            read()
        message = str(caught.value)
        assert f"group/level ({ELSEWHERE[write]})" in message and str(tmp_path) not in message
        assert "a.h5: it takes data from other files" in message and "a file that contains all its data" in message


def test_an_aes69_file_with_data_elsewhere_is_refused(tmp_path):
    with netCDF4.Dataset(tmp_path / "a.sofa", "w") as file:
        file.Conventions, file.SOFAConventions, file.SOFAConventionsVersion = "SOFA", "FreeFieldDirectivityTF", "1.1"
    with h5py.File(tmp_path / "a.sofa", "r+") as file:
        virtual_dataset(file, tmp_path)
    with pytest.raises(InputError, match="takes data from other files"):
        anechain_sofa.anechain_read([tmp_path / "a.sofa"], SofaOptions(quantity="relative"))


def test_groups_nested_deeper_than_python_calls_are_searched(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        group = file
        for _ in range(1500):
            group = group.create_group("g")
        group["x"] = h5py.ExternalLink("other.h5", "/")
    with pytest.raises(InputError, match=r"other\.h5"):
        refuse_data_elsewhere(tmp_path / "a.h5", "a.h5")


def test_whole_files_pass(tmp_path):
    path = save(tmp_path, "hdf5", {"level": LEVEL, "group/f": LEVEL[0]})
    refuse_data_elsewhere(path, path.name)
    with h5py.File(path) as file:
        assert unwritten(file["level"]) is None


def test_what_was_never_written_is_missing(tmp_path):
    """Chunks of 2 × 2, of which the first was written; data without chunks; a missing file of a virtual source."""
    with h5py.File(tmp_path / "a.h5", "w") as file:
        chunks = file.create_dataset("chunks", (3, 4), "f8", chunks=(2, 2))
        chunks[:2, :2] = 1.0
        file.create_dataset("whole", (3,), "f8")
        pairs = file.create_dataset("pairs", (2, 2), [("real", "f8"), ("imag", "f8")], chunks=(1, 2))
        pairs[0] = np.ones(2, pairs.dtype)
    with open_container(tmp_path / "a.h5", "a.h5") as container:
        expected = np.full((3, 4), np.nan)
        expected[:2, :2] = 1.0
        np.testing.assert_array_equal(container.numbers("chunks", "level"), expected)
        assert np.isnan(container.numbers("whole", "level")).all()
        np.testing.assert_array_equal(container.numbers("pairs", "p"), [[1 + 1j, 1 + 1j], [np.nan, np.nan]])


@pytest.mark.parametrize("form", ["NETCDF4", "NETCDF3_CLASSIC"])
def test_the_fill_value_of_the_netcdf_library_is_missing(tmp_path, form):
    with netCDF4.Dataset(tmp_path / "a.nc", "w", format=form) as file:
        file.createDimension("x", 3)
        for kind in ("f4", "f8"):
            file.createVariable(kind, kind, ("x",))[1] = 80.0
    with open_container(tmp_path / "a.nc", "a.nc") as container:
        for kind in ("f4", "f8"):
            np.testing.assert_array_equal(container.numbers(kind, "level"), [np.nan, 80.0, np.nan])


@pytest.mark.parametrize("kind", ["v5.mat", "hdf5", "v73.mat"])
def test_true_and_false_are_no_levels(tmp_path, kind):
    path = save(tmp_path, kind, {"level": np.array([True, False])})
    if kind == "v73.mat":
        with h5py.File(path, "r+") as file:
            del file["level"]
            file.create_dataset("level", data=np.array([[1], [0]], np.uint8)).attrs["MATLAB_class"] = np.bytes_(
                "logical"
            )
    with (
        open_container(path, path.name) as container,
        pytest.raises(InputError, match=r"level, which .* is not numeric"),
    ):
        container.numbers("level", "level")


def test_no_file_is_changed(tmp_path):
    path = save(tmp_path, "hdf5", {"level": LEVEL})
    before = path.read_bytes()
    refuse_data_elsewhere(path, path.name)
    assert path.read_bytes() == before
