"""Options of a campaign: how the curve set is derived."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from anechain.campaign.model import Model

__all__ = ["Derivation"]


class Derivation(Model):
    """How the curve set is derived; the receipts contain each option."""

    early_reflections_total: Literal["reflection_groups", "curves"] = Field(
        default="reflection_groups", description="Mean of the five early reflections, or of all their curves"
    )
    rear_wall: Literal["three", "all"] = Field(
        default="three",
        description="Rear wall from 90, 180 and -90 degrees, or from all angles between them in 10 degree steps",
    )
    smoothing: float | None = Field(
        default=20,
        gt=0,
        le=96,
        description="Smoothing of the derived curves, as a fraction of an octave; null for none",
    )
    interpolate_angles: bool = Field(
        default=False,
        description="Interpolate missing 10 degree directions from neighbours at most 15 degrees apart; noted in the "
        "results",
    )
