from pathlib import PurePath

import pytest

from anechain.importing.direction_manifest import directions_of_manifest
from anechain_delimited.options import DelimitedOptions

FILES = {name: PurePath("/data") / name for name in ("a/1.txt", "a/2.txt", "b/1.txt")}


def manifest(text):
    return directions_of_manifest(text, "list.csv", FILES, DelimitedOptions())


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_manifest_in_any_order_of_columns(separator):
    rows = ["Plane,Angle,note,File", "h,-10,x,a/1.txt", "ver,350,,2.txt", "", "V,10,,b/1.txt"]
    directions, problems = manifest("\n".join(row.replace(",", separator) for row in rows) + "\n")
    assert not problems
    assert {label: (d.plane, d.angle) for label, d in directions.items()} == {
        "a/1.txt": ("horizontal", -10),
        "a/2.txt": ("vertical", -10),
        "b/1.txt": ("vertical", 10),
    }


def test_a_manifest_may_tell_takes_apart():
    directions, problems = manifest("file,take,plane,angle\n2.txt,Second,h,0\na/1.txt,,h,0\nb/1.txt,1,h,10\n")
    assert not problems
    assert {label: found.take for label, found in directions.items()} == {
        "a/2.txt": "second",
        "a/1.txt": "",
        "b/1.txt": "1",
    }


def test_a_decimal_comma_in_a_manifest():
    directions, problems = manifest('file,plane,angle\n"2.txt",h,"22,5"\na/1.txt,h,0\nb/1.txt,h,10\n')
    assert not problems
    assert directions["a/2.txt"].angle == 22.5


def test_every_fault_of_a_manifest_is_named_with_its_line():
    text = "file,plane,angle\n1.txt,h,0\n9.txt,h,0\na/2.txt,x,0\na/1.txt,h,ten\na/1.txt,h,0\na/1.txt,h,0\na/1.txt\n"
    _, problems = manifest(text)
    said = "\n".join(map(str, problems))
    for expected in (
        "line 2: file '1.txt' is any of",
        "line 3: file '9.txt' is none",
        "line 4: plane 'x' is unknown",
        "line 5: angle 'ten'",
        "line 7: file 'a/1.txt' is listed twice",
        "line 8: 1 cells",
    ):
        assert expected in said
    assert len(problems) == 6


def test_a_file_that_the_manifest_forgets_is_named():
    _, problems = manifest("file,plane,angle\na/1.txt,h,0\na/2.txt,h,10\n")
    assert [problem.where for problem in problems] == ["b/1.txt"]


@pytest.mark.parametrize("text", ["", "name,plane,angle\n", "a,b\n" + '"' + "x" * 200_000])
def test_what_is_no_manifest_is_refused(text):
    directions, problems = manifest(text)
    assert not directions
    assert problems
