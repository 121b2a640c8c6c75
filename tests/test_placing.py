import pytest
from anechain.importing.direction_names import direction_of_title
from anechain.importing.direction_options import NamingOptions

from anechain.errors import InputError
from anechain.importing.direction_lookup import directions_of_files, without_manifest


def test_a_title_gives_a_direction_and_a_slash_is_no_folder():
    options = NamingOptions(pattern="SPL/V {plane} {angle}")
    found = direction_of_title("SPL/V hor -30", "column title", "oak.csv", options)
    assert (found.plane, found.angle) == ("horizontal", -30)


def test_what_does_not_fit_is_called_by_its_kind():
    options = NamingOptions(pattern="SPL/V {plane} {angle}")
    with pytest.raises(InputError, match="column title 'SPL/A h 3' does not fit the pattern") as refused:
        direction_of_title("SPL/A h 3", "column title", "oak.csv", options)
    (problem,) = refused.value.problems
    assert "column titles like 'SPL/V" in problem.expected and "file" not in str(problem)


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
