"""Differences of two outputs: closed forms, and what must hold whichever side is called the old one."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.audit.contents import Block, Number
from anechain.audit.differences import block_differences, number_differences

GRID = np.array([100.0, 200.0, 400.0, 800.0])


def block(frequency=GRID, kind="curve", unit="dB", **rows):
    return Block(kind, unit, np.asarray(frequency, float), tuple(rows), np.array(list(rows.values()), float))


LEVELS = st.floats(-100, 150) | st.just(np.nan) | st.just(-np.inf)
ROWS = st.lists(st.lists(LEVELS, min_size=4, max_size=4), min_size=2, max_size=2)


@given(ROWS, ROWS, st.floats(0, 5))
def test_the_other_way_round_the_change_has_the_other_sign(a, b, least):
    sides = [Block("curve", "dB", GRID, ("a", "b"), np.array(rows)) for rows in (a, b)]
    there, back = (block_differences(*pair, least)[0] for pair in (sides, sides[::-1]))
    assert [one.name for one in there] == [one.name for one in back]
    for one, other in zip(there, back, strict=True):
        np.testing.assert_array_equal(one.change, -other.change)
        assert (one.bands, one.everywhere, one.lost, one.gained) == (
            other.bands,
            other.everywhere,
            other.gained,
            other.lost,
        )
    assert block_differences(sides[0], sides[0], 0.0) == ([], "")


def test_the_bands_are_where_the_change_is_more_than_what_counts_as_the_same():
    old, new = block(a=[80, 80, 80, 80]), block(a=[80.2, 80.05, 79.7, 79.8])
    ((one,), remark) = block_differences(old, new, 0.1)
    assert one.bands == ((100.0, 100.0), (400.0, 800.0)) and not one.everywhere and remark == ""
    assert (one.largest_at, one.largest) == (400.0, pytest.approx(-0.3))
    # Octaves between the four: the ends stand for half of one.
    assert one.rms == pytest.approx(np.sqrt((0.5 * 0.04 + 0.0025 + 0.09 + 0.5 * 0.04) / 3))


def test_no_sound_at_all_on_both_sides_is_the_same_and_on_one_is_no_number():
    old, new = block(a=[80, -np.inf, 80, 80]), block(a=[80, -np.inf, -np.inf, 80])
    ((one,), _) = block_differences(old, new, 0.01)
    assert one.largest == -np.inf and one.largest_at == 400.0 and one.rms == 0.0 and one.bands == ((400.0, 400.0),)


def test_values_that_come_and_go_are_counted():
    old, new = block(a=[80, np.nan, 80, 80]), block(a=[80, 80, np.nan, np.nan])
    ((one,), _) = block_differences(old, new, 0.01)
    assert (one.lost, one.gained, one.bands, one.largest) == (2, 1, (), 0.0)


def test_rows_are_matched_by_name():
    found, _ = block_differences(block(a=[1] * 4, b=[2] * 4, c=[3] * 4), block(d=[0] * 4, c=[3] * 4, a=[1] * 4), 0.01)
    assert [(one.name, one.state) for one in found] == [("b", "removed"), ("d", "added")]


def test_only_the_band_of_both_is_compared_on_the_coarser_grid():
    fine = np.geomspace(50, 1600, 11)  # half octaves
    old = block(fine, a=20 * np.log10(fine))
    new = block([25.0, 100.0, 400.0], a=20 * np.log10([25.0, 100.0, 400.0]) + 1.0)
    ((one,), remark) = block_differences(old, new, 0.01)
    # A level that rises evenly with log frequency lies on the straight lines between the samples.
    np.testing.assert_allclose(one.change, 1.0)
    np.testing.assert_array_equal(one.frequency, [100.0, 400.0])
    assert "from 50 to 400 Hz only, at the 2 frequencies of NEW" in remark


def test_without_a_band_in_common_nothing_is_compared():
    found, remark = block_differences(block([10, 20], a=[1, 2]), block([30, 40], a=[5, 6]), 0.01)
    assert found == [] and remark == "no common band"


def test_phase_turns_round_and_is_not_interpolated():
    old = block(kind="row", unit="degree", a=[179, 0, 10, 10])
    ((one,), _) = block_differences(old, block(kind="row", unit="degree", a=[-179, 0, 10, 10]), 0.01)
    assert one.largest == pytest.approx(2.0)
    found, remark = block_differences(old, block([100, 300], kind="row", unit="degree", a=[0, 0]), 0.01)
    assert found == [] and "not interpolated" in remark


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_numbers_of_decibels_are_the_same_within_what_counts_as_the_same(a, b):
    found = number_differences({"n": Number(a, "dB")}, {"n": Number(b, "dB")}, 0.01)
    assert bool(found) == (abs(b - a) > 0.01)
    assert [one.largest for one in found] == [b - a] * len(found)


def test_gaps_and_words_among_the_numbers():
    old = {"a": Number(None), "b": Number("flat"), "c": Number(True), "d": Number(1.0, "Hz"), "e": Number([1, 2])}
    new = {"a": Number(None), "b": Number("steep"), "c": Number(True), "d": Number(1.0, "kHz"), "e": Number([1, 3])}
    assert [one.name for one in number_differences(old, new, 0.01)] == ["b", "d", "e"]
