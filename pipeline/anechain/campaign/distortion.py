"""Options of a campaign: how distortion at a level is computed."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from anechain.campaign.model import Band, Model, Number, Positive

__all__ = ["DistortionOptions"]


class DistortionOptions(Model):
    """How distortion at a level is computed from the harmonics; the receipts contain each option."""

    levels: tuple[Annotated[Number, Field(ge=0, le=200)], ...] | None = Field(
        default=None,
        min_length=1,
        description="dB at 1 m, mean of the fundamental in the band; if absent, from `lowest_level` in steps of "
        "`level_step` as far as the drives of each device reach. High levels hurt hearing and equipment: local rules "
        "and qualified practice decide",
    )
    lowest_level: Annotated[Number, Field(ge=0, le=200)] = Field(
        default=84.0, description="dB at 1 m; lowest level if `levels` is absent (common practice)"
    )
    level_step: Annotated[Number, Field(ge=1, le=40)] = Field(
        default=6.0, description="dB; step of the levels if `levels` is absent (common practice)"
    )
    band: Band = Field(
        default=(300.0, 3000.0), description="Hz; the mean of the fundamental in it is the level (common practice)"
    )
    nearest: Annotated[Number, Field(ge=0)] = Field(
        default=0.5, description="dB; a take this close to a level is used without interpolation (common practice)"
    )
    widest_step: Annotated[Number, Field(ge=0)] = Field(
        default=10.0,
        description="dB; largest difference of two takes between which a level is interpolated; 0 for no interpolation "
        "(common practice)",
    )
    false_alarm_rate: Annotated[Number, Field(gt=0, lt=1)] = Field(
        default=0.001,
        description="Wanted share of readings in which noise alone counts as a harmonic; it decides how far above the "
        "noise a harmonic must be to be a value, otherwise it is an upper limit (common practice)",
    )
    orders: Annotated[int, Field(ge=2, le=100)] = Field(default=9, description="Highest harmonic order")
    peak_height: Positive = Field(
        default=6.0, description="dB; smallest height of a listed peak of a harmonic (common practice)"
    )

    @field_validator("levels")
    @classmethod
    def _distinct(cls, values: tuple[float, ...] | None) -> tuple[float, ...] | None:
        if values is None:
            return None
        if len(set(values)) < len(values):
            raise ValueError("different values")
        return tuple(sorted(values))
