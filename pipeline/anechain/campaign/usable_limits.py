"""Options of a campaign: when a device counts as usable."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from anechain.campaign.model import Model, Number, Positive

__all__ = ["UsableLimits"]


class UsableLimits(Model):
    """When a device counts as usable, and the listening position. High levels hurt hearing: local rules decide."""

    distortion: tuple[tuple[Positive, Positive], ...] = Field(
        default=((100.0, 10.0), (200.0, 3.0)),
        min_length=1,
        description="Pairs of Hz and per cent: highest usable distortion re the fundamental (common practice)",
    )
    compression: Annotated[Number, Field(lt=0)] = Field(
        default=-1.0, description="dB; usable compression is above it (common practice)"
    )
    up_to: Positive | None = Field(
        default=None, description="Hz; highest frequency that is judged; all measured frequencies if absent"
    )
    distance: Positive = Field(default=3.0, description="Listening distance in metres, direct sound (common practice)")
    devices: Annotated[int, Field(ge=1, le=1000)] = Field(default=1, description="Number of equal devices")
    addition: Literal["incoherent", "coherent"] = Field(
        default="incoherent", description="Addition of several devices: of powers (incoherent), or of pressures"
    )
    longest_dimension: Positive | None = Field(
        default=None,
        description="Longest side of the room in metres, for the gain of a rigid, tight room; no gain if absent",
    )
    wanted_level: Number | None = Field(
        default=None, description="dB at the listening distance, for which the lowest usable frequency is computed"
    )

    @field_validator("distortion")
    @classmethod
    def _ascending(cls, value: Any) -> Any:
        if any(a[0] >= b[0] for a, b in pairwise(value)):
            raise ValueError("pairs of Hz and per cent, Hz rising")
        return value
