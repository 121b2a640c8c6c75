import h5py
import netCDF4
import numpy as np
import pytest
import scipy.io

from anechain.errors import InputError
from anechain.importing.containers import container_kind, open_container
from container_files import KINDS, save

CUBE = np.arange(24.0).reshape(2, 3, 4)


@pytest.mark.parametrize("kind", KINDS)
def test_an_array_has_the_axes_of_the_program_that_wrote_it(tmp_path, kind):
    path = save(tmp_path, kind, {"cube": CUBE, "f": np.arange(1.0, 5)}, {"licence": "CC0 1.0"})
    with open_container(path, path.name) as container:
        np.testing.assert_array_equal(container.numbers("cube", "level"), CUBE)
        np.testing.assert_array_equal(container.frequencies("f", "kilohertz"), [1000, 2000, 3000, 4000])
        assert container.text("licence", "licence") == "CC0 1.0"
        assert container.kind.split()[0] in ("MATLAB", "HDF5", "netCDF")


@pytest.mark.parametrize("kind", ["v5.mat", "v73.mat", "hdf5"])
def test_complex_numbers_and_nested_paths(tmp_path, kind):
    path = save(tmp_path, kind, {"test/one/p": CUBE * (1 + 2j)})
    with open_container(path, path.name) as container:
        for name in ("test/one/p", "/test/one/p", "test.one.p"):
            np.testing.assert_array_equal(container.numbers(name, "pressure"), CUBE * (1 + 2j))


def test_cells_and_structure_arrays_count_from_one(tmp_path):
    cell = np.empty((1, 2), object)
    cell[0, 0], cell[0, 1] = np.ones(3), 2 * np.ones(3)
    struct = np.array([[(np.array([5.0]),), (np.array([6.0]),)]], dtype=[("level", object)])
    scipy.io.savemat(tmp_path / "a.mat", {"cell": cell, "tests": struct})
    with open_container(tmp_path / "a.mat", "a.mat") as container:
        assert container.numbers("cell(2)", "x").ravel().tolist() == [2, 2, 2]
        assert container.numbers("tests(2)/level", "x").ravel().tolist() == [6]
    with h5py.File(tmp_path / "b.mat", "w", userblock_size=512) as file:
        kept = [file.create_dataset(f"#refs#/{name}", data=[[value]]) for name, value in (("a", 5.0), ("b", 6.0))]
        cells = file.create_dataset("cell", (2, 1), dtype=h5py.ref_dtype)
        cells[0, 0], cells[1, 0] = kept[0].ref, kept[1].ref
    with (tmp_path / "b.mat").open("r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file")
    with open_container(tmp_path / "b.mat", "b.mat") as container:
        assert list(container.variables) == ["cell(1)", "cell(2)"]
        assert container.numbers("cell(2)", "x").ravel().tolist() == [6]


@pytest.mark.parametrize("form", ["NETCDF4", "NETCDF3_CLASSIC"])
def test_packed_and_filled_values_as_the_netcdf_conventions_have_them(tmp_path, form):
    # CF conventions 8.1: unpacked = packed * scale_factor + add_offset; netCDF4 packs here.
    with netCDF4.Dataset(tmp_path / "a.nc", "w", format=form) as file:
        file.createDimension("x", 3)
        variable = file.createVariable("level", "i2", ("x",), fill_value=-999)
        variable.scale_factor, variable.add_offset = 0.5, 80.0
        variable[:] = np.ma.masked_array([70.0, 80.5, 0.0], [False, False, True])
    with open_container(tmp_path / "a.nc", "a.nc") as container:
        np.testing.assert_array_equal(container.numbers("level", "level"), [70.0, 80.5, np.nan])


def test_a_wrong_path_gets_the_nearest_and_a_list(tmp_path):
    path = save(tmp_path, "hdf5", {"level": CUBE}, {"note": "x"})
    with open_container(path, path.name) as container:
        with pytest.raises(InputError, match="did you mean 'level'") as refused:
            container.numbers("levels", "level")
        assert "level (2 × 3 × 4)" in refused.value.problems[0].expected
        with pytest.raises(InputError, match="is text"):
            container.numbers("note", "level")
        with pytest.raises(InputError, match="has no text 'level'"):
            container.text("level", "licence")


@pytest.mark.parametrize("bad", [[2.0, 1.0], [1.0, np.nan], [-1.0, 1.0], [[1.0, 2.0], [3.0, 4.0]], [1j, 2j]])
def test_frequencies_that_cannot_be(tmp_path, bad):
    path = save(tmp_path, "hdf5", {"f": np.array(bad)})
    with (
        open_container(path, path.name) as container,
        pytest.raises(InputError, match="one list of rising frequencies"),
    ):
        container.frequencies("f", "hertz")


@pytest.mark.parametrize("kind", KINDS)
def test_a_container_cut_at_any_length_is_refused_or_lacks_variables(tmp_path, kind):
    noise = np.random.default_rng(1).normal(size=(40, 50))
    path = save(tmp_path, kind, {"noise": noise})
    whole = path.read_bytes()
    for length in np.linspace(1, len(whole) - 1, 25).astype(int):
        path.write_bytes(whole[:length])
        with pytest.raises(InputError) as refused, open_container(path, path.name) as container:
            np.testing.assert_array_equal(container.numbers("noise", "level"), noise)
            raise InputError.single("whole", "all of it is there: only padding was cut")
        assert all(problem.what for problem in refused.value.problems)


@pytest.mark.parametrize(
    "content",
    [b"", b"MATLAB", b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x02" + bytes(7), b"CDF\x05" + bytes(100), bytes(3000)],
)
def test_junk_is_no_traceback(tmp_path, content):
    path = tmp_path / "junk"
    path.write_bytes(content)
    container_kind(path)
    with pytest.raises(InputError), open_container(path, "junk"):
        pass


def test_a_damaged_byte_is_no_traceback(tmp_path):
    rng = np.random.default_rng(2)
    for kind in KINDS:
        path = save(tmp_path, kind, {"noise": rng.normal(size=(5, 6))})
        whole = path.read_bytes()
        for at in rng.integers(0, len(whole), 40):
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
            try:
                with open_container(path, path.name) as container:
                    container.numbers("noise", "level")
            except InputError:
                pass
