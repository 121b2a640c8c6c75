from pathlib import PurePath

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from anechain.errors import InputError
from anechain.importing.direction_names import direction_of_name, direction_of_title
from anechain.importing.direction_options import NamingOptions
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
    assert found.notes == ("sign of horizontal angles reversed: positive is right in the files",)
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
        ("oak {plane} {angle}.txt", "oak tilted 10.txt", r"the word 'tilted' for \{plane\} is unknown"),
        (
            "oak {plane} {side} {angle}.txt",
            "oak h front 10.txt",
            r"the word 'front' for \{side\} is unknown",
        ),
        ("oak {plane} {side} {angle}.txt", "oak h up 10.txt", "side 'up' on the horizontal orbit"),
        ("oak {plane} {side} {angle}.txt", "oak h left -10.txt", "both a sign and a side"),
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
        ("{plane} {angle} {angle}.txt", "appears twice"),
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
