"""Height from which a resonance is audible."""

import numpy as np
import pytest

from anechain.acoustics.curve.resonance_audibility import audibility_threshold


def test_three_decibels_of_added_level_for_each_doubling_of_q():
    """Toole and Olive 1988, recalled: the rule, applied to the level of the added resonance."""
    added = 20 * np.log10(10 ** (audibility_threshold([1.0, 2.0, 4.0]) / 20) - 1)
    np.testing.assert_allclose(added, [-22.0, -19.0, -16.0], atol=1e-9)
    assert audibility_threshold(1.0, level_at_q_1_db=0.0) == pytest.approx(6.0206, abs=1e-4)  # two equal ones in phase
    with pytest.raises(ValueError, match="Q must be above zero"):
        audibility_threshold(0.0)
