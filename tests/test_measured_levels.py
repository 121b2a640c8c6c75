"""Levels at equal steps: those between the lowest and the highest take, by hand."""

import pytest

from anechain.acoustics.nonlinear.measured_levels import levels_within_takes


@pytest.mark.parametrize(
    ("takes", "levels"),
    [
        ((75.0, 87.0, 99.0), (84.0, 90.0, 96.0)),
        ((91.0, 103.0), (96.0, 102.0)),
        # A level is reached by a take within 0.5 dB of it, and no further.
        ((84.4, 95.6), (84.0, 90.0, 96.0)),
        ((84.6, 95.4), (90.0,)),
        ((84.1,), (84.0,)),
        ((60.0, None, 83.0), ()),
        ((None, None), ()),
        ((), ()),
    ],
)
def test_levels_from_84_db_in_steps_of_6_db(takes, levels):
    assert levels_within_takes(takes) == levels


def test_other_steps():
    assert levels_within_takes((70.0, 81.0), 70.0, 5.0) == (70.0, 75.0, 80.0)
    with pytest.raises(ValueError, match="above zero"):
        levels_within_takes((70.0,), 70.0, 0.0)
