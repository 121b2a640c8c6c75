import pytest

from anechain.importing.direction_lookup import directions_of_files, without_manifest
from anechain.importing.direction_options import NamingOptions


@pytest.mark.parametrize("bad", [b"\xff\xfe\xfd", None])
def test_a_manifest_that_cannot_be_read_is_a_problem(tmp_path, bad):
    manifest = tmp_path / "places.csv"
    if bad is not None:
        manifest.write_bytes(bad)
    directions, (problem,) = directions_of_files({}, tmp_path, NamingOptions(manifest=manifest))
    assert directions == {} and problem.where == "places.csv" and problem.fix


def test_the_manifest_is_no_curve(tmp_path):
    files = {"places.csv": tmp_path / "places.csv", "a.mat": tmp_path / "a.mat"}
    assert list(without_manifest(files, tmp_path, NamingOptions(manifest=tmp_path / "places.csv"))) == ["a.mat"]
    assert without_manifest(files, tmp_path, NamingOptions()) == files
