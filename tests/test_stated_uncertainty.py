"""Statements of uncertainty in a campaign, as standard uncertainties by frequency."""

import numpy as np
import pytest

import physics
from anechain.campaign.uncertainty import Uncertainty
from anechain.figure_of_merit.level_uncertainty import level_uncertainty
from test_derive import responses

DISTANCE = 2.0


def stated(**components):
    return Uncertainty.model_validate(components).model_dump(mode="json", exclude_none=True)


def source():
    data = responses(physics.first_order(1.0))
    data.attrs |= {"measured_distance": DISTANCE}
    return data


def with_takes(data, std, takes=None):
    data = data.assign(level_std=(data["level"].dims, np.broadcast_to(std, data["level"].shape).copy()))
    if takes is not None:
        data = data.assign(takes=(data["level"].dims[:2], np.full(data["level"].shape[:2], takes)))
    return data


WORKED = stated(
    calibration={"value": 0.25, "kind": "expanded", "coverage_factor": 2},
    microphone={"value": 0.7, "kind": "rectangular"},
    distance={"value": 0.1 / 8.685890 * DISTANCE, "kind": "rectangular"},
    gain_and_drive={"value": 0.05},
    repeatability={"value": 0.2},
)
"""A budget as in handbooks: 0.125, 0.4041, 0.0577, 0.05 and 0.2 dB; combined 0.4741 dB (JCGM 100:2008, 5.1.2)."""


def test_a_microphone_by_frequency():
    """0.3 dB at 100 Hz and 1.5 dB at 10 kHz: half-way on a logarithmic axis, at 1 kHz, 0.9 dB; held beyond the ends."""
    statements = stated(microphone={"value": [[100, 0.3], [10_000, 1.5]], "source": "a certificate"})
    data = source()
    errors = level_uncertainty(data, statements, [])
    at = np.interp(np.log([50, 1000, 16000]), np.log(data["frequency"].values), errors.common)
    np.testing.assert_allclose(at, [0.3, 0.9, 1.5], atol=1e-3)
    assert "0.3 to 1.5 dB" in errors.budget_lines[0] and "(a certificate)" in errors.budget_lines[0]


@pytest.mark.parametrize("value", [[[100, 0.3]], [[100, 0.3], [50, 0.4]], 0, -1, "much"])
def test_invalid_statements_are_refused(value):
    with pytest.raises(ValueError):
        Uncertainty.model_validate({"microphone": {"value": value}})
