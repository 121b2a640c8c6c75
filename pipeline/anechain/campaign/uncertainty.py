"""Options of a campaign: the stated uncertainty of its measurements."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from anechain.campaign.model import Model, Number, Positive, Printed

__all__ = ["Repeatability", "Stated", "Uncertainty"]


class Stated(Model):
    """A stated uncertainty."""

    value: Positive | tuple[tuple[Positive, Annotated[Number, Field(ge=0)]], ...] = Field(
        description="One value above zero, or pairs of Hz and value; in between it is interpolated over log frequency"
    )
    kind: Literal["standard", "expanded", "rectangular", "triangular"] = Field(
        default="standard",
        description="Standard uncertainty; expanded by the coverage factor, as in certificates; or half the width of "
        "limits with a rectangular or a triangular distribution between them",
    )
    coverage_factor: Positive = Field(default=2.0, description="Coverage factor of an expanded uncertainty")
    source: Printed = Field(default="", description="Source: a certificate, a data sheet, a judgement")

    @field_validator("value")
    @classmethod
    def _rising(cls, value: Any) -> Any:
        if isinstance(value, tuple) and (len(value) < 2 or any(a[0] >= b[0] for a, b in pairwise(value))):
            raise ValueError("two pairs or more of Hz and value, Hz rising")
        return value


class Repeatability(Stated):
    """The spread of captures under the same conditions."""

    value: Positive | tuple[tuple[Positive, Annotated[Number, Field(ge=0)]], ...] | None = Field(  # type: ignore[assignment]
        default=None,
        description="dB, standard deviation of a single capture: one value above zero, or pairs of Hz and value. "
        "Directions with repeated takes have the spread of their takes instead",
    )
    octaves: Positive | Literal["broadband"] = Field(
        default=3.0,
        description="Octaves after which the errors of a capture are independent, also of repeated takes and of the "
        'impedance; "broadband" for one error at all frequencies, such as a gain; 0.05 for noise. Default (our own): '
        "a gain is one error at all frequencies and cancels in the shape of a curve, while another position changes a "
        "curve within an octave; with 3 octaves neither means nor shapes are without uncertainty",
    )


class Uncertainty(Model):
    """Components of the uncertainty of a measurement. Results include stated components only, and name the others."""

    calibration: Stated | None = Field(
        default=None, description="dB; calibrator and its use, the same error in all directions"
    )
    microphone: Stated | None = Field(
        default=None, description="dB; response of the microphone, the same error in all directions"
    )
    gain_and_drive: Stated | None = Field(
        default=None, description="dB; gains and voltage of the drive, the same error in all directions"
    )
    distance: Stated | None = Field(
        default=None, description="Metres; measuring distance, the same error in all directions"
    )
    angle: Stated | None = Field(
        default=None,
        description="Degrees; setting of each angle, independent between directions; without what repeated takes "
        "already "
        "include if the angle was set again for each",
    )
    repeatability: Repeatability | None = Field(
        default=None, description="dB; repeatability of a capture, and how it depends on frequency"
    )
    impedance: Stated | None = Field(
        default=None,
        description="Per cent of the modulus of the impedance; reference resistor and gains. One error at all "
        "frequencies: pairs of Hz and value change its size only",
    )
    impedance_phase: Stated | None = Field(
        default=None,
        description="Degrees; phase of the impedance. One error at all frequencies: pairs of Hz and value "
        "change its size only",
    )
