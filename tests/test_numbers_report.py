"""Numbers on the page: key numbers first, other groups closed, signs of limits, the limitations of the predictor."""

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


def test_key_numbers_are_first_and_the_other_groups_are_closed():
    first, *rest = compared_numbers([device(84.0, 95.0), device(86.0, None)])
    assert not first.collapsed and [title for title, _, _ in first.rows] == ["level.sensitivity", "usable.loudest"]
    assert all(group.collapsed for group in rest)
    assert [group.heading for group in rest] == ["Level", "Preference", "Usable limits"]
    assert {title: cells for title, _, cells in first.rows}["level.sensitivity"] == ("84.0 ± 0.5", "86.0 ± 0.5")


def test_a_limit_has_its_sign_in_every_table():
    devices = [device(84.0, 95.0, "at least"), device(86.0, 97.0, "at most")]
    cells = {title: cells for group in compared_numbers(devices) for title, _, cells in group.rows}
    assert cells["usable.loudest"] == ("≥\N{NO-BREAK SPACE}95.0", "≤\N{NO-BREAK SPACE}97.0")
    (row,) = next(group for group in number_groups(devices[0]) if group.heading == "Usable limits").rows
    assert row.value == "≥\N{NO-BREAK SPACE}95.0"


def test_the_predictor_is_no_key_number_and_always_has_its_limitations():
    for group in compared_numbers([device(84.0, 95.0), device(86.0, None)]):
        rated = any(title == "preference.rating" for title, _, _ in group.rows)
        assert (group.note == PREFERENCE_LIMITS) == rated


def test_footnotes_name_the_propagation_of_each_uncertainty():
    def with_uncertainty(id, propagation, heading="Level"):
        return number(id, heading, 84.0, uncertainty=0.5, coverage_factor=2.0, propagation=propagation)

    without_uncertainty = number("level.other", "Level", 3.0, uncertainty_reason="not stated")
    groups = number_groups(
        [
            *(
                with_uncertainty("a", "first order"),
                with_uncertainty("b", "Monte Carlo"),
                with_uncertainty("c", "first order"),
                without_uncertainty,
            ),
            *(
                with_uncertainty("d", "Monte Carlo", "Range"),
                with_uncertainty("e", "Monte Carlo", "Range"),
                number("f", "Words", "closed"),
            ),
        ]
    )
    level, frequency_range, texts = groups
    assert level.propagation == (("a", "first order"), ("b", "Monte Carlo"))
    assert [row.footnote for row in level.rows] == ["a", "b", "a", ""]
    assert frequency_range.propagation == (("", "Monte Carlo"),) and {row.footnote for row in frequency_range.rows} == {
        ""
    }
    assert texts.propagation == ()


def test_a_gap_of_all_devices_is_left_out_and_one_device_has_no_comparison():
    groups = compared_numbers([device(84.0, 95.0), device(86.0, None)])
    assert not any(title == "usable.held" for group in groups for title, _, _ in group.rows)
    assert compared_numbers([device(84.0, 95.0)]) == ()


def test_a_group_of_gaps_for_one_reason_is_one_line():
    gaps = [number(f"timing.{key}", "Time and phase", None) for key in "abc"]
    (group,) = number_groups(gaps)
    assert group.rows == () and group.gaps == (("All 3 numbers", "not measured"),)
    (mixed,) = number_groups([*gaps, number("timing.d", "Time and phase", None, reason="no phase")])
    assert len(mixed.gaps) == 4
    (known,) = number_groups([*gaps, number("timing.d", "Time and phase", 1.0)])
    assert len(known.gaps) == 3 and len(known.rows) == 1
