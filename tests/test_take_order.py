"""Order of the drives in a series of takes."""

import numpy as np
import pytest

from anechain.acoustics.recording.take_order import first_take_of_each_drive, order_of_drives
from thermal_coil import takes


@pytest.mark.parametrize(
    ("drives", "order", "repeated"),
    [
        ([1, 2, 4], "rising", False),
        ([1, 2, 2, 4, 1], "rising", True),
        ([4, 2, 1], "falling", False),
        ([1, 4, 2], "neither", False),
        ([2, 2, 2], "one drive", False),
        ([4, 2, 1, 4], "falling", True),
    ],
)
def test_the_order_of_drives(drives, order, repeated):
    found = order_of_drives(drives, np.arange(len(drives)) * 30.0)
    assert (found.order, found.repeated_last) == (order, repeated)
    assert found.pauses_s.tolist() == [30.0] * (len(drives) - 1)
    assert bool(found.note) == (order in ("falling", "neither"))
    assert "not timed" in order_of_drives(drives).note


def test_a_reversed_series_hides_the_heat_in_its_reference():
    drives, start = [24.495, 12.25, 1.0], np.array([0.0, 12.0, 24.0])
    _, warm = takes(drives, start)
    found = order_of_drives(drives, start)
    assert found.order == "falling" and "hides in the reference" in found.note
    assert warm[2] > 5.0  # the coil was warm at the lowest drive indeed


def test_the_first_take_of_each_drive():
    assert first_take_of_each_drive([1.0, 4.0, 4.0, 2.0, 1.0]) == (0, 3, 1)
