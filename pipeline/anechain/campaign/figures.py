"""Options of a campaign: which figures are drawn, in which formats."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from anechain.campaign.model import Model
from anechain.registry.figures import FIGURES

__all__ = ["DeviceFigureName", "Figures"]

if TYPE_CHECKING:
    DeviceFigureName = str
else:
    DeviceFigureName = Literal[tuple(FIGURES)]


class Figures(Model):
    """Which figures are drawn."""

    formats: tuple[Literal["svg", "png", "pdf"], ...] = Field(
        default=("svg", "png", "pdf"), description="File formats in addition to the chart specification"
    )
    of_devices: tuple[DeviceFigureName, ...] | None = Field(
        default=None, description="Kinds of figures of each device; by default all that its data allow"
    )
