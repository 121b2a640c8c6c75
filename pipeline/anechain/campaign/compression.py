"""Options of a campaign: how compression with rising level is computed."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from anechain.campaign.model import Band, Model, Number, Positive

__all__ = ["CompressionOptions"]


class CompressionOptions(Model):
    """How compression is computed from the fundamentals; the receipts contain each option."""

    smoothing: Annotated[Number, Field(gt=0, le=96)] | None = Field(
        default=6, description="Smoothing of the levels, as a fraction of an octave; null for none"
    )
    limits: tuple[Annotated[Number, Field(lt=0)], ...] = Field(
        default=(-0.5, -1.0, -3.0),
        min_length=1,
        description="Limits of compression that are reported and drawn, in dB below zero (common practice)",
    )
    band: Band = Field(
        default=(300.0, 3000.0),
        description="Hz; the mean compression in it is the change of level, the rest the change of shape (common "
        "practice)",
    )
    max_uncertainty: Positive = Field(
        default=0.5, description="dB; expanded uncertainty from noise and rounding above which no value is reported"
    )
    drift_limit: Positive = Field(
        default=0.3, description="dB r.m.s.; largest difference of the first level when repeated last (common practice)"
    )
    remove_drift: bool = Field(
        default=True,
        description="Remove a linear drift between takes, found from a drive that was repeated after louder takes",
    )
    coil_time_constant: Positive = Field(
        default=60.0,
        description="s; longest thermal time constant of the voice coil that is told apart from a drift (common "
        "practice)",
    )
    conductor: Literal["copper", "aluminium"] = Field(default="copper", description="Conductor of the voice coil")
    series_resistance_ratio: Annotated[Number, Field(ge=0)] = Field(
        default=0.0, description="Resistance in series with the voice coil (cable, filter), re that of the cold coil"
    )
