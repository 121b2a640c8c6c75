import numpy as np
import pytest
from pydantic import ValidationError

from anechain.errors import InputError
from anechain.importing.frames import FieldOptions, axis_vector, declared_frame


@pytest.mark.parametrize(
    ("word", "vector"), [("+x", (1, 0, 0)), ("-y", (0, -1, 0)), ("-z", (0, 0, -1)), ((1, 2, 3), (1, 2, 3))]
)
def test_axes_as_words_or_numbers(word, vector):
    assert axis_vector(word) == vector


def test_a_frame_brings_the_axis_to_x_and_up_to_z():
    rotation = declared_frame(FieldOptions(reference_axis="-y", up="+x"), "a")
    np.testing.assert_allclose(rotation @ [0, -1, 0], [1, 0, 0], atol=1e-12)
    np.testing.assert_allclose(rotation @ [1, 0, 0], [0, 0, 1], atol=1e-12)
    assert np.linalg.det(rotation) == pytest.approx(1)


def test_an_axis_that_is_not_declared_is_not_guessed():
    with pytest.raises(InputError, match="`reference_axis` is not given") as refused:
        declared_frame(FieldOptions(), "a")
    assert len(refused.value.problems) == 2
    with pytest.raises(InputError, match="parallel"):
        declared_frame(FieldOptions(reference_axis="+x", up="-x"), "a")


@pytest.mark.parametrize("options", [{"up": (0, 0, 0)}, {"up": (0, float("nan"), 1)}, {"step": 7}, {"up": "x"}])
def test_options_that_make_no_sense(options):
    with pytest.raises(ValidationError):
        FieldOptions(**options)
