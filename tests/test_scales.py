import numpy as np
import pytest

from anechain.errors import InputError
from anechain.importing.scales import SCALE_NOTES, level_from_scale, refuse_missing


def test_levels_of_each_scale():
    # 1 Pa is 93.979 dB re 20 µPa (ISO 1683).
    np.testing.assert_allclose(level_from_scale([1.0], "pascal", "p", "a"), [93.9794], atol=1e-4)
    np.testing.assert_allclose(level_from_scale([10.0], "linear", "p", "a"), [20.0])
    np.testing.assert_array_equal(level_from_scale([-3.0, np.inf], "decibel", "p", "a"), [-3.0, np.nan])
    np.testing.assert_array_equal(level_from_scale([0.0, np.nan], "linear", "p", "a"), [np.nan, np.nan])
    assert set(SCALE_NOTES) == {"decibel", "pascal", "linear"}


def test_a_negative_magnitude_is_refused():
    with pytest.raises(InputError, match="the lowest -2"):
        level_from_scale([1.0, -2.0], "pascal", "p", "a")


def test_gaps():
    some, none = np.array([1.0, np.nan]), np.array([np.nan])
    refuse_missing(some, "level", "p", "a", keep=True)
    with pytest.raises(InputError, match="1 of 2 values"):
        refuse_missing(some, "level", "p", "a", keep=False)
    with pytest.raises(InputError, match="every level is missing"):
        refuse_missing(none, "level", "p", "a", keep=True)
