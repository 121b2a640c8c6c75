"""Rated impedance that a minimum allows."""

import numpy as np
import pytest

from anechain.acoustics.impedance.minimum import ImpedanceMinimum, minimum_impedance
from anechain.acoustics.impedance.rated_impedance import rated_impedance
from impedance_circuits import GRID


@pytest.mark.parametrize(
    ("minimum", "rated"), [(6.4, 8.0), (6.39, 6.0), (4.8, 6.0), (3.2, 4.0), (3.19, 2.0), (12.8, 16.0), (1.5, None)]
)
def test_eighty_percent_of_the_rated_impedance(minimum, rated):
    """IEC 60268-5, 16.1 (second hand): the modulus is nowhere below 80 % of the rated impedance."""
    flat = minimum_impedance(GRID, np.full(GRID.size, minimum))
    found = rated_impedance(flat, 8.0)
    assert found.rated_ohm == rated and found.claim_holds is (minimum >= 6.4)
    assert (found.reason == "") is (rated is not None)


def test_a_rating_needs_a_minimum():
    none = minimum_impedance(GRID, np.full(GRID.size, np.nan))
    assert rated_impedance(none).rated_ohm is None and rated_impedance(none, 8.0).claim_holds is None
    with pytest.raises(ValueError, match="above zero"):
        rated_impedance(none, 0.0)


def test_other_ratings_and_another_share_may_be_asked():
    """5.7 ohm: at least 80 % of 7 but not of 8 ohm, and at least 60 % of 9 ohm."""
    least = ImpedanceMinimum(5.7, 200.0, False, 20.0, 20000.0, "")
    assert rated_impedance(least).rated_ohm == 6.0
    assert rated_impedance(least, rated_values_ohm=(5.0, 7.0, 8.0)).rated_ohm == 7.0
    other = rated_impedance(least, 9.5, rated_values_ohm=(4.0, 9.0), min_share=0.6)
    assert other.rated_ohm == 9.0 and other.claim_holds is True
    with pytest.raises(ValueError, match="above zero"):
        rated_impedance(least, rated_values_ohm=())
