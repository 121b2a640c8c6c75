"""Verdicts follow from values and limits, whichever way is worse."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.campaign.checks import CheckLimits
from anechain.campaign.file import Campaign
from anechain.data.checks import (
    BAD,
    CHECK_KINDS,
    DOUBTFUL,
    GOOD,
    NOT_MADE,
    Check,
    Series,
    check_not_possible,
    check_result,
    check_to_json,
    exceedances_text,
    limits_text,
    report_line,
    with_limits,
)

NUMBERS = st.floats(-1e6, 1e6)


@given(value=NUMBERS, doubtful=NUMBERS, by=st.floats(0, 1e3), above=st.booleans())
def test_a_worse_value_never_has_a_better_verdict(value, doubtful, by, above):
    order = [GOOD, DOUBTFUL, BAD]
    sign = 1 if above else -1
    limits = (doubtful, doubtful + sign * by)
    steps = (0, 1, 1e4, 1e7)
    made_of = [Check("x", "X", "", (("a", value + sign * step),), limits, above) for step in steps]
    verdicts = [order.index(check.verdict) for check in made_of]
    assert verdicts == sorted(verdicts) and verdicts[-1] == 2


@pytest.mark.parametrize(("value", "verdict"), [(31, GOOD), (30, GOOD), (29.9, DOUBTFUL), (20, DOUBTFUL), (19, BAD)])
def test_limits_themselves_are_still_allowed(value, verdict):
    assert check_result("signal-to-noise", "", [("a", value), ("b", 90)]).verdict == verdict


def test_the_worst_places_come_first_and_only_those_beyond():
    check = check_result("hum", "", [("a", 25.0), ("b", 40.0), ("c", 10.0), ("c", 12.0)])
    assert check.where == ("c", "a") and check.verdict == BAD
    many = check_result("clipping", "", [(f"{number} of many", 100.0 + number) for number in range(9)])
    assert exceedances_text(many).startswith("8 of many, 7 of many") and exceedances_text(many).endswith("and 3 more")


def test_what_is_not_made_says_why():
    check = check_not_possible("repeats", "one take of each direction")
    assert check.verdict == NOT_MADE and check.where == ()
    assert report_line(check) == "check repeated takes: not made: one take of each direction"


def test_a_campaign_states_other_limits():
    check = check_result("mirror", "3 dB", [("±30°", 3.0)])
    assert check.verdict == DOUBTFUL
    assert with_limits(check, {"mirror": (3.5, None)}).verdict == GOOD
    strict = with_limits(check, {"mirror": (1.0, 2.0)})
    assert strict.verdict == BAD and strict.source_status == "the campaign"
    assert with_limits(check, {"mirror": CHECK_KINDS["mirror"].limits}) == check
    assert with_limits(check, {}) == check
    own = Check("dust", "Dust", "none", (("a", 1.0),), (0.5, None), source_status="house rule")
    assert with_limits(own, CheckLimits().limits()) == own


def test_a_floor_beyond_the_limits_leaves_a_check_undecided():
    """The floor is -24 dB, the limits are -30 and -20 dB, unless the campaign has others."""
    noisy = check_result("reflection", "none", floor=(-24.0, "noise hides them: use a longer sweep"))
    assert noisy.verdict == NOT_MADE and noisy.undecided
    assert report_line(noisy) == "check reflections: not made: noise hides them: use a longer sweep"
    row = check_to_json(noisy)
    assert (row["verdict"], row["found"], row["reason"]) == (NOT_MADE, "", "noise hides them: use a longer sweep")
    lenient = with_limits(noisy, {"reflection": (-20.0, -10.0)})
    assert lenient.verdict == GOOD and check_to_json(lenient)["found"] == "none"
    found = check_result("reflection", "one", [("a", -10.0)], floor=(-24.0, "noise"))
    assert found.verdict == BAD and not found.undecided and check_to_json(found)["reason"] == ""
    # A value that is good by the limits does not decide either.
    assert check_result("reflection", "one", [("a", -31.0)], floor=(-24.0, "noise")).verdict == NOT_MADE
    below = check_result("signal-to-noise", "", floor=(25.0, "why"))
    assert below.verdict == NOT_MADE and with_limits(below, {"signal-to-noise": (20.0, None)}).verdict == GOOD
    assert with_limits(below, {"signal-to-noise": (None, None)}).verdict == GOOD


def test_limits_and_lines_in_words():
    assert limits_text(check_result("signal-to-noise", "")) == "doubtful below 30 dB, bad below 20 dB"
    assert limits_text(check_result("polarity-agreement", "")) == "bad above 0 recordings"
    assert limits_text(check_result("swapped", "")) == "doubtful above 35%, bad above 60%"
    assert report_line(check_result("hum", "50 Hz", [("a", 1.0)])) == "check hum: bad: 50 Hz; a"


def test_json_holds_short_numbers_and_no_nan():
    series = Series("x", "y", (1.23456789,), (("a", (float("nan"),)), ("b", (None,))))
    told = check_to_json(check_result("hum", "", [("a", 1 / 3), ("b", float("nan"))], series))
    assert told["values"] == [["a", 0.3333]] and told["series"]["x"] == [1.235]
    assert [line["values"] for line in told["series"]["lines"]] == [[None], [None]]
    json.dumps(told, allow_nan=False)


def test_a_campaign_knows_every_kind():
    assert CheckLimits().limits() == {id: kind.limits for id, kind in CHECK_KINDS.items()}
    assert "checks" in Campaign.model_fields
    with pytest.raises(ValueError, match="further out"):
        CheckLimits(hum=(20.0, 30.0))
    assert CheckLimits(hum=(20.0, None)).limits()["hum"] == (20.0, None)
