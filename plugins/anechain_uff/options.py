"""What a campaign can tell this importer about its files."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from anechain.hooks import Options
from anechain.importing.direction_options import NamingOptions

__all__ = ["Place", "UffOptions"]


class Place(Options):
    """Direction of a response node."""

    plane: Literal["horizontal", "vertical"] = Field(description="horizontal or vertical")
    angle: float = Field(ge=-360, le=360, description="degrees on that orbit, positive to the left or upwards")


class UffOptions(NamingOptions):
    """Options of the importer for universal files."""

    more_fields: ClassVar[tuple[str, ...]] = ("take",)

    direction_from: Literal["file", "id1", "id2", "id3", "id4", "id5", "response_entity", "reference_entity"] = Field(
        default="file",
        description="text that `pattern` is applied to: the file's name (one function to a file), one of the five "
        "description lines of each function, or the name of its response or reference entity",
    )
    nodes: dict[int, Place] | None = Field(
        default=None, description="plane and angle of each response node, in place of a pattern or manifest"
    )
    time_data: Literal["refuse", "impulse response"] = Field(
        default="refuse",
        description="what a time record is: nothing that can be used, or the device's impulse response, transformed "
        "whole, without window or padding",
    )
    quantity: Literal["pascal", "relative"] = Field(
        default="pascal",
        description="pascal: the ordinate is a sound pressure (Pa, or Pa over something), level re 20 µPa; relative: "
        "the bare number whatever its unit, level re 1",
    )
    others: Literal["refuse", "leave out"] = Field(
        default="refuse",
        description="what to do with functions that are no response (coherences, spectra): refuse, or leave out and "
        "report",
    )

    @model_validator(mode="after")
    def _one_way(self) -> UffOptions:
        if sum(one is not None for one in (self.pattern, self.manifest, self.nodes)) != 1:
            raise ValueError("exactly one of pattern, manifest and nodes says where each function was measured")
        if self.direction_from != "file" and self.pattern is None:
            raise ValueError("direction_from needs a pattern")
        return self
