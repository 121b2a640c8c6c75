from pathlib import PurePath

import pytest
from anechain.importing.direction_manifest import directions_of_manifest
from anechain.importing.direction_names import direction_of_name
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from anechain.errors import InputError
from anechain.importing.direction_patterns import parse_template
from anechain_delimited.options import DelimitedOptions


def direction(pattern, name, **options):
    return direction_of_name(PurePath(name), name, DelimitedOptions(pattern=pattern, **options))


@pytest.mark.parametrize(
    ("pattern", "name", "plane", "angle"),
    [
        ("hall-north {plane} {angle}.txt", "hall-north horizontal 30.txt", "horizontal", 30),
        ("hall-north {plane} {angle}.txt", "Hall-North VER -22.5.TXT", "vertical", -22.5),
        ("{plane}_{angle}.txt", "h_22,5.txt", "horizontal", 22.5),
        ("{plane}_{angle}.txt", "v_m10.txt", "vertical", -10),
        ("{plane}{angle}.txt", "hp10.txt", "horizontal", 10),
        ("{plane}{angle}.txt", "hor\N{MINUS SIGN}10.txt", "horizontal", -10),
        ("{plane} {side} {angle} {any}.txt", "ver down 10 take 2.txt", "vertical", -10),
        ("{angle}{side} {plane}.txt", "40R hor.txt", "horizontal", -40),
        ("{any} {plane} {angle}.txt", "oak 2 take 3 h -170.txt", "horizontal", -170),
        ("{plane}/{angle}.txt", "/somewhere/vertical/10.txt", "vertical", 10),
        ("{plane} {angle}.txt", "v -180.txt", "vertical", 180),
        ("{plane} {angle}.txt", "h 350.txt", "horizontal", -10),
        ("a+b ({plane}) [{angle}].txt", "a+b (h) [10].txt", "horizontal", 10),
    ],
)
def test_names_give_directions(pattern, name, plane, angle):
    found = direction(pattern, name)
    assert (found.plane, found.angle) == (plane, angle)
    assert bool(found.notes) == ("350" in name or "-180" in name)


def test_only_the_name_counts_without_folders_in_the_pattern():
    assert direction("{plane} {angle}.txt", "/ver 90/hor 10.txt").plane == "horizontal"


@given(st.sampled_from(["h", "vertical"]), st.integers(0, 35))
def test_a_whole_turn_of_angles_wraps_into_the_convention(plane, step):
    found = direction("{plane} {angle}.txt", f"{plane} {10 * step}.txt")
    assert -180 < found.angle <= 180
    assert (found.angle - 10 * step) % 360 == 0


def test_a_word_tells_takes_apart():
    found = direction("{plane} {angle} {take}.txt", "h -10 B.txt")
    assert (found.angle, found.take) == (-10, "b")
    assert direction("{plane} {angle}{take}.txt", "h 10b.txt").take == "b"
    assert direction("{plane} {angle}.txt", "h 10.txt").take == ""


def test_positive_angles_to_the_right_and_down_are_turned_round_and_said():
    ways = {"horizontal": "right", "vertical": "down"}
    found = direction("{plane} {angle}.txt", "h 30.txt", positive_is=ways)
    assert found.angle == -30
    assert found.notes == ("horizontal angles turned round: positive is right in the files",)
    assert direction("{plane} {angle}.txt", "v 180.txt", positive_is=ways).angle == 180
    assert direction("{plane} {angle}.txt", "v 30.txt", positive_is={"horizontal": "right"}).angle == 30


def test_own_words():
    options = {"planes": {"Girar": "horizontal"}, "sides": {"d": 1, "i": -1}}
    assert direction("{plane} {side} {angle}.txt", "girar d 30.txt", **options).angle == 30


@pytest.mark.parametrize(
    ("pattern", "name", "message"),
    [
        ("oak {plane} {angle}.txt", "oak hor.txt", r"the text ' ' does not fit '\.txt'"),
        ("oak {plane} {angle}.txt", "oak hor ten.txt", r"the field \{angle\} does not fit 'ten\.txt'"),
        ("oak {plane} {angle}.txt", "oak 10 hor.txt", r"the field \{plane\} does not fit '10 hor\.txt'"),
        ("oak {plane} {angle}.txt", "elm hor 10.txt", r"the text 'oak ' does not fit 'elm hor 10\.txt'"),
        ("oak {plane} {angle}.txt", "oak hor 10.txt.old", r"'\.old' is left over"),
        ("oak {plane} {angle}.txt", "oak hor 1.000,5.txt", r"the text '\.txt' does not fit ',5\.txt'"),
        ("oak {plane} {angle}.txt", "oak tilted 10.txt", r"the word 'tilted' in the place of \{plane\} is unknown"),
        (
            "oak {plane} {side} {angle}.txt",
            "oak h front 10.txt",
            r"the word 'front' in the place of \{side\} is unknown",
        ),
        ("oak {plane} {side} {angle}.txt", "oak h up 10.txt", "side 'up' on the horizontal orbit"),
        ("oak {plane} {side} {angle}.txt", "oak h left -10.txt", "a sign besides its side"),
        ("oak {plane} {angle}.txt", "oak h 400.txt", "more than a full turn"),
        ("{plane} {any}-{angle}.txt", "h oak--10.txt", "more than one way"),
    ],
)
def test_names_that_do_not_fit_are_refused_with_the_part_that_fails(pattern, name, message):
    with pytest.raises(InputError, match=message) as refused:
        direction(pattern, name)
    assert all(problem.fix for problem in refused.value.problems)


def test_an_unknown_word_lists_the_known_ones():
    with pytest.raises(InputError, match="horizontal, hor, h, vertical, ver, v"):
        direction("{plane} {angle}.txt", "x 10.txt")


@pytest.mark.parametrize(
    ("template", "message"),
    [
        ("{plane} {degrees}.txt", "not a field"),
        ("{plane}.txt", "lacks the field {angle}"),
        ("{angle}.txt", "lacks the field {plane}"),
        ("{plane} {angle} {angle}.txt", "given twice"),
        ("{plane} {any}{angle}.txt", "literal text between"),
        ("{plane} {angle.txt", "no partner"),
        ("{plane} {angle}}.txt", "no partner"),
    ],
)
def test_impossible_templates(template, message):
    with pytest.raises(ValueError, match=message):
        parse_template(template)
    with pytest.raises(ValidationError, match=message):
        DelimitedOptions(pattern=template)


def test_words_that_differ_in_case_only_are_refused():
    with pytest.raises(ValidationError, match="must differ"):
        DelimitedOptions(planes={"H": "horizontal", "h": "vertical"})


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
