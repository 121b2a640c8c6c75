"""Patterns of names against the backtracking regular expressions of Python, and names on which those would not end."""

import re

from hypothesis import given
from hypothesis import strategies as st

from anechain.importing.name_patterns import WORD_OR_NUMBER, match_tokens, pattern_tokens

FIELDS = {"plane": "h|v|hor", "angle": "[+-]?[0-9]+(?:[.,][0-9]+)?", "take": WORD_OR_NUMBER}
TOKENS = st.lists(
    st.sampled_from(["a", "1", " ", "_h", "{any}", "{plane}", "{angle}", "{take}"]), min_size=1, max_size=6
)


def by_regular_expression(tokens, name, *, greedy, whole):
    parts = []
    for number, token in enumerate(tokens):
        if token == "{any}":
            parts.append(".*" if greedy else ".*?")
        elif token[0] == "{":
            rest = "(?![0-9])" if token == "{angle}" else ""
            parts.append(f"(?P<f{number}_{token[1:-1]}>{FIELDS[token[1:-1]]}){rest}")
        else:
            parts.append(re.escape(token))
    match = (re.fullmatch if whole else re.match)("".join(parts), name, re.IGNORECASE | re.DOTALL)
    if match is None:
        return None
    return {key.partition("_")[2]: text for key, text in match.groupdict().items()}, match.end()


@given(tokens=TOKENS, name=st.text("a1hHv _.,+0", max_size=12), greedy=st.booleans(), whole=st.booleans())
def test_the_match_is_that_of_a_regular_expression(tokens, name, greedy, whole):
    expected = by_regular_expression(tokens, name, greedy=greedy, whole=whole)
    found = match_tokens(tokens, name, FIELDS, numbers=["angle"], greedy=greedy, whole=whole)
    assert (found is None) == (expected is None)
    # Of a field that a pattern has twice, which is refused elsewhere, the last text counts in both.
    assert found == expected


def test_time_does_not_grow_exponentially():
    """A backtracking search would try some 10^17 ways."""
    tokens = pattern_tokens("{any}a" * 10 + "{any} {angle}.txt", ["angle"], ["angle"])
    assert match_tokens(tokens, "a" * 255, FIELDS) is None
    many = pattern_tokens("{any}a" * 500 + "{angle}", ["angle"], ["angle"])
    texts, end = match_tokens(many, "ba" * 500 + "30", FIELDS)
    assert texts == {"angle": "30"} and end == 1002
