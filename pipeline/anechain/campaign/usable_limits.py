"""Options of a campaign: when a device counts as usable."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from anechain.campaign.model import Model, Number, Positive

__all__ = ["UsableLimits"]


class UsableLimits(Model):
    """When a device counts as usable, and where it is listened to. High levels hurt hearing: local rules decide."""

    distortion: tuple[tuple[Positive, Positive], ...] = Field(
        default=((100.0, 10.0), (200.0, 3.0)),
        min_length=1,
        description="Pairs of Hz and per cent of the fundamental that distortion stays under (common practice)",
    )
    compression: Annotated[Number, Field(lt=0)] = Field(
        default=-1.0, description="dB that the compression stays above (common practice)"
    )
    up_to: Positive | None = Field(
        default=None, description="Hz; nothing above is judged. Everything measured is if absent"
    )
    distance: Positive = Field(default=3.0, description="Listening distance in metres, direct sound (common practice)")
    devices: Annotated[int, Field(ge=1, le=1000)] = Field(default=1, description="Number of alike devices")
    addition: Literal["incoherent", "coherent"] = Field(
        default="incoherent", description="How several devices add: their powers, or their pressures"
    )
    longest_dimension: Positive | None = Field(
        default=None,
        description="Longest side of the room in metres, for the gain of a rigid, tight room; no gain if absent",
    )
    wanted_level: Number | None = Field(
        default=None, description="dB wanted at the listening distance: how low does the device reach at it?"
    )

    @field_validator("distortion")
    @classmethod
    def _ascending(cls, value: Any) -> Any:
        if any(a[0] >= b[0] for a, b in pairwise(value)):
            raise ValueError("pairs of Hz and per cent, Hz rising")
        return value
