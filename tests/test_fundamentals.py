"""What compression and usable limits start from: the valid band, orders beyond it, first takes."""

import numpy as np

import nonlinear_speaker as model
from anechain.figure_of_merit.fundamentals import beyond_band, inside, of_harmonics, of_takes, with_first_takes


def test_an_order_beyond_the_valid_band_is_named_and_the_fundamental_never():
    """Order n sounds at n f: with a band up to 1 kHz the third order of 334 Hz lies beyond, that of 333 Hz not."""
    data = model.harmonics().assign_attrs(valid_low=50.0, valid_high=1000.0)
    beyond = beyond_band(data)
    frequency, orders = data["frequency"].values, data["order"].values.tolist()
    assert not beyond[orders.index(1)].any()
    for order in orders[1:]:
        np.testing.assert_array_equal(beyond[orders.index(order)], order * frequency > 1000.0 * (1 + 1e-9))
    assert not beyond_band(model.harmonics()).any()


def test_fundamentals_outside_the_valid_band_are_missing():
    data = model.harmonics().assign_attrs(valid_low=100.0, valid_high=1000.0)
    held = np.isfinite(of_harmonics(data).level).all(axis=0)
    np.testing.assert_array_equal(held, inside(data))
    assert inside(data).any() and not inside(data).all()


def test_first_takes_replace_joined_ones_only_at_the_same_drives():
    joined, first = of_harmonics(model.harmonics()), of_takes(model.takes())
    louder = first.level + 1.0
    moved = with_first_takes(joined, type(first)(**{**vars(first), "level": louder}))
    np.testing.assert_allclose(moved.level, louder)
    fewer = of_takes(model.takes(drives=(1.0, 2.0)))
    assert with_first_takes(joined, fewer) is joined
