"""Options of a campaign: limits of the work that raw files and importers may cause."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from anechain.campaign.model import Model, Positive

__all__ = ["ImportLimits"]


class ImportLimits(Model):
    """Limits of the work that raw files and importers may cause."""

    largest_file: Annotated[Positive, Field(le=1000)] = Field(
        default=2.0, description="Most memory in GB (10^9 bytes) that the values of one raw file may need, unpacked"
    )
    most_memory: Annotated[Positive, Field(le=1000)] = Field(
        default=8.0, description="Most memory in GB that the import of a device may need; where the system can limit it"
    )
    longest_time: Annotated[Positive, Field(le=1e6)] = Field(
        default=1800.0, description="Longest time in seconds that the import of a device may take"
    )
