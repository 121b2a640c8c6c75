"""What a campaign can choose: every default stands on something, and what cannot be is refused with the reason."""

import importlib
import math
import pkgutil
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, TypeAdapter, ValidationError

from anechain import campaign
from anechain.campaign.checks import CheckLimits
from anechain.campaign.distortion import DistortionOptions
from anechain.campaign.file import Campaign
from anechain.campaign.model import Model, RelativePath, plain
from anechain.campaign.uncertainty import Stated
from anechain.campaign.usable_limits import UsableLimits
from anechain.data.checks import CHECK_KINDS

MODELS = [
    value
    for module in pkgutil.iter_modules(campaign.__path__, "anechain.campaign.")
    for value in vars(importlib.import_module(module.name)).values()
    if isinstance(value, type) and issubclass(value, Model) and value.__module__ == module.name and value.__doc__
]


def refused(make, said):
    with pytest.raises(ValidationError, match=said):
        make()


@pytest.mark.parametrize("model", MODELS)
def test_every_choice_is_described_and_none_can_be_changed_later(model):
    assert model.__doc__ and all(field.description for field in model.model_fields.values())
    assert model.model_config["frozen"] and model.model_config["extra"] == "forbid"


def models_below(model, seen):
    """A model and all that its fields hold, through optionals, tuples and mappings."""
    if model in seen:
        return
    seen.add(model)

    def inside(annotation):
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            models_below(annotation, seen)
        for part in get_args(annotation):
            inside(part)

    for field in model.model_fields.values():
        inside(field.annotation)


def test_a_campaign_can_reach_every_choice():
    reached = set()
    models_below(Campaign, reached)
    assert set(MODELS) - {Model} <= reached


@pytest.mark.parametrize("path", ["", " ", "/raw", "../raw", "raw/../../a", "raw/\x00"])
def test_a_path_that_leaves_the_campaign(path):
    refused(lambda: TypeAdapter(RelativePath).validate_python(path), "inside the campaign's folder")


@given(
    st.recursive(
        st.none() | st.booleans() | st.text() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=8,
    )
)
def test_plain_values_pass_as_they_are_and_infinite_ones_do_not(value):
    def finite(one):
        if isinstance(one, float):
            return math.isfinite(one)
        parts = one if isinstance(one, list) else one.values() if isinstance(one, dict) else ()
        return all(map(finite, parts))

    if finite(value):
        assert plain(value) is value
    else:
        with pytest.raises(ValueError, match="finite numbers"):
            plain(value)


@pytest.mark.parametrize("value", [2**53, math.nan, {1: "a"}, b"a", (1, 2), [set()]])
def test_what_json_cannot_hold(value):
    with pytest.raises(ValueError, match="finite numbers"):
        plain(value)


def test_an_uncertainty_over_frequency_needs_two_pairs_that_rise():
    assert Stated(value=((20.0, 0.5), (20000.0, 1.0))).kind == "standard"
    refused(lambda: Stated(value=((20.0, 0.5),)), "two pairs or more")
    refused(lambda: Stated(value=((200.0, 0.5), (20.0, 1.0))), "Hz rising")
    refused(lambda: Stated(value=True), "valid number")


def test_levels_are_put_in_order_and_none_is_asked_for_twice():
    assert DistortionOptions(levels=(96.0, 86.0)).levels == (86.0, 96.0)
    refused(lambda: DistortionOptions(levels=(86.0, 86.0)), "different values")
    refused(lambda: DistortionOptions(band=(2000.0, 100.0)), "its lower end in Hz")


def test_corners_of_the_distortion_limit_rise():
    refused(lambda: UsableLimits(distortion=((200.0, 3.0), (100.0, 10.0))), "Hz rising")


def test_limits_of_checks_are_those_of_their_kinds():
    assert CheckLimits().limits() == {name: kind.limits for name, kind in CHECK_KINDS.items()}


@pytest.mark.parametrize("name", CHECK_KINDS)
def test_the_limit_of_bad_must_be_further_out(name):
    field, sign = name.replace("-", "_"), 1.0 if CHECK_KINDS[name].above else -1.0
    assert CheckLimits(**{field: (sign, 2 * sign)}).limits()[name] == (sign, 2 * sign)
    assert CheckLimits(**{field: (None, sign)}).limits()[name] == (None, sign)
    refused(lambda: CheckLimits(**{field: (2 * sign, sign)}), "must be further out")
