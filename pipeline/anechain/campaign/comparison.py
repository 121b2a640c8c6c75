"""Options of a campaign: how the curves of several devices are compared."""

from __future__ import annotations

from pydantic import Field

from anechain.campaign.model import Band, Model

__all__ = ["ComparisonOptions"]


class ComparisonOptions(Model):
    """How the curves of several devices are compared."""

    alignment_band: Band = Field(
        default=(300.0, 3000.0),
        description="Hz; if a device has relative levels only, all devices are set to a mean of 0 dB on axis in this "
        "band, which all must have (common practice)",
    )
