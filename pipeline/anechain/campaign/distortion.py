"""Options of a campaign: how distortion at a level is computed."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from anechain.campaign.model import Band, Model, Number, Positive

__all__ = ["DistortionOptions"]


class DistortionOptions(Model):
    """How distortion at a level is read off the harmonics; each choice is kept in the receipts."""

    levels: tuple[Annotated[Number, Field(ge=0, le=200)], ...] = Field(
        default=(86.0, 96.0),
        min_length=1,
        description="dB at 1 m, mean of the fundamental in the band. High levels hurt hearing and equipment: local "
        "rules and qualified practice decide",
    )
    band: Band = Field(
        default=(300.0, 3000.0), description="Hz; the mean of the fundamental in it is the level (common practice)"
    )
    nearest: Annotated[Number, Field(ge=0)] = Field(
        default=0.5, description="dB within which a take stands for a level as it is (common practice)"
    )
    widest_step: Annotated[Number, Field(ge=0)] = Field(
        default=10.0, description="dB between two takes that a level is still read from; 0 for none (common practice)"
    )
    noise_margin: Annotated[Number, Field(ge=0, le=60)] = Field(
        default=10.0,
        description="dB above the noise below which a harmonic is an upper limit (noise alone: 1 of 22 000 above)",
    )
    orders: Annotated[int, Field(ge=2, le=100)] = Field(default=9, description="Highest harmonic order")
    peak_height: Positive = Field(
        default=6.0, description="dB that a peak of a harmonic rises at least to be listed (common practice)"
    )

    @field_validator("levels")
    @classmethod
    def _once(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if len(set(values)) < len(values):
            raise ValueError("each value once")
        return tuple(sorted(values))
