"""Options of a campaign: the stated uncertainty of its measurements."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from anechain.campaign.model import Model, Number, Positive, Printed

__all__ = ["Stated", "Uncertainty"]


class Stated(Model):
    """An uncertainty as somebody states it."""

    value: Positive | tuple[tuple[Positive, Annotated[Number, Field(ge=0)]], ...] = Field(
        description="One value above zero, or pairs of Hz and value; in between it is interpolated over log frequency"
    )
    kind: Literal["standard", "expanded", "rectangular", "triangular"] = Field(
        default="standard",
        description="Standard uncertainty; expanded by the coverage factor, as in certificates; or half the width of "
        "limits between which all values are alike (rectangular) or those in the middle likelier (triangular)",
    )
    coverage_factor: Positive = Field(default=2.0, description="Of an expanded uncertainty")
    source: Printed = Field(default="", description="Where it comes from: a certificate, a data sheet, a judgement")

    @field_validator("value")
    @classmethod
    def _rising(cls, value: Any) -> Any:
        if isinstance(value, tuple) and (len(value) < 2 or any(a[0] >= b[0] for a, b in pairwise(value))):
            raise ValueError("two pairs or more of Hz and value, Hz rising")
        return value


class Uncertainty(Model):
    """Components of the uncertainty of a measurement; what is not stated is not in the result, which says so."""

    calibration: Stated | None = Field(
        default=None, description="dB; of the calibrator and its use, all directions alike"
    )
    microphone: Stated | None = Field(
        default=None, description="dB; of the microphone's response, all directions alike"
    )
    gain_and_drive: Stated | None = Field(
        default=None, description="dB; of gains and of the drive's voltage, all directions alike"
    )
    distance: Stated | None = Field(default=None, description="Metres; of the measuring distance, all directions alike")
    angle: Stated | None = Field(
        default=None,
        description="Degrees; of the setting of each angle, apart from the others; only what repeated takes, set anew, "
        "do not show already",
    )
    repeatability: Stated | None = Field(
        default=None,
        description="dB; of a single capture. Where takes were repeated, their own spread counts instead; a direction "
        "taken once keeps it",
    )
    impedance: Stated | None = Field(
        default=None,
        description="Per cent of the modulus of the impedance; of reference resistor and gains. One error at all "
        "frequencies: pairs of Hz and value change its size only",
    )
    impedance_phase: Stated | None = Field(
        default=None,
        description="Degrees; of the phase of the impedance. One error at all frequencies: pairs of Hz and value "
        "change its size only",
    )
