"""Numbers in print: key numbers first, the rest folded away, limits told from values, the predictor never alone."""

from anechain.acoustics.curve.preference import PREFERENCE_LIMITS
from anechain.data.numbers import Number
from anechain.report.numbers import compared_numbers, number_groups


def number(id, heading, value, **more):
    reason = "" if value is not None else "not measured"
    return Number(**{"id": id, "heading": heading, "title": id, "value": value, "reason": reason, "unit": "dB"} | more)


def device(sensitivity, loudest, bound=""):
    return [
        number("level.sensitivity", "Level", sensitivity, uncertainty=0.5, coverage_factor=2.0),
        number("preference.rating", "Preference", 5.1, unit="", method="preference-estimate", version=1),
        number("usable.loudest", "Usable limits", loudest, bound=bound),
        number("usable.held", "Usable limits", None),
    ]


def test_key_numbers_stand_first_and_the_rest_is_folded_away():
    first, *rest = compared_numbers([device(84.0, 95.0), device(86.0, None)])
    assert not first.folded and [title for title, _, _ in first.rows] == ["level.sensitivity", "usable.loudest"]
    assert all(group.folded for group in rest)
    assert [group.heading for group in rest] == ["Level", "Preference", "Usable limits"]
    assert {title: cells for title, _, cells in first.rows}["level.sensitivity"] == ("84.0 ± 0.5", "86.0 ± 0.5")


def test_a_limit_is_no_value_in_any_table():
    devices = [device(84.0, 95.0, "at least"), device(86.0, 97.0, "at most")]
    cells = {title: cells for group in compared_numbers(devices) for title, _, cells in group.rows}
    assert cells["usable.loudest"] == ("≥\N{NO-BREAK SPACE}95.0", "≤\N{NO-BREAK SPACE}97.0")
    (row,) = next(group for group in number_groups(devices[0]) if group.heading == "Usable limits").rows
    assert row.value == "≥\N{NO-BREAK SPACE}95.0"


def test_the_predictor_is_not_among_the_key_numbers_and_never_without_its_limits():
    for group in compared_numbers([device(84.0, 95.0), device(86.0, None)]):
        rated = any(title == "preference.rating" for title, _, _ in group.rows)
        assert (group.note == PREFERENCE_LIMITS) == rated


def test_how_an_uncertainty_was_carried_stands_under_its_group():
    def sure(id, how, heading="Level"):
        return number(id, heading, 84.0, uncertainty=0.5, coverage_factor=2.0, propagation=how)

    unsure = number("level.other", "Level", 3.0, uncertainty_reason="not stated")
    groups = number_groups(
        [
            *(sure("a", "first order"), sure("b", "Monte Carlo"), sure("c", "first order"), unsure),
            *(sure("d", "Monte Carlo", "Range"), sure("e", "Monte Carlo", "Range"), number("f", "Words", "closed")),
        ]
    )
    level, spread, words = groups
    assert level.carried == (("a", "first order"), ("b", "Monte Carlo"))
    assert [row.mark for row in level.rows] == ["a", "b", "a", ""]
    assert spread.carried == (("", "Monte Carlo"),) and {row.mark for row in spread.rows} == {""}
    assert words.carried == ()


def test_what_no_device_has_is_left_out_and_one_device_is_no_comparison():
    groups = compared_numbers([device(84.0, 95.0), device(86.0, None)])
    assert not any(title == "usable.held" for group in groups for title, _, _ in group.rows)
    assert compared_numbers([device(84.0, 95.0)]) == ()
