"""Options of the importer for universal files."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from anechain.hooks import Options
from anechain.importing.direction_options import NamingOptions

__all__ = ["NodeDirection", "UffOptions"]


class NodeDirection(Options):
    """Direction of a response node."""

    plane: Literal["horizontal", "vertical"] = Field(description="horizontal or vertical")
    angle: float = Field(ge=-360, le=360, description="degrees on that orbit, positive to the left or upwards")


class UffOptions(NamingOptions):
    """Options of the importer for universal files."""

    extra_fields: ClassVar[tuple[str, ...]] = ("take",)

    direction_from: Literal["file", "id1", "id2", "id3", "id4", "id5", "response_entity", "reference_entity"] = Field(
        default="file",
        description="text that is matched with `pattern`: the file's name (one function per file), one of the five "
        "description lines of each function, or the name of its response or reference entity",
    )
    nodes: dict[int, NodeDirection] | None = Field(
        default=None, description="plane and angle of each response node; replaces pattern and manifest"
    )
    time_data: Literal["refuse", "impulse response"] = Field(
        default="refuse",
        description="what time records are: refuse them, or read them as impulse responses of the device, transformed "
        "as a whole, without window or padding",
    )
    quantity: Literal["pascal", "relative"] = Field(
        default="pascal",
        description="pascal: the ordinate is a sound pressure (Pa, or Pa over another unit), levels re 20 µPa; "
        "relative: the number whatever its unit, levels re 1",
    )
    others: Literal["refuse", "leave out"] = Field(
        default="refuse",
        description="functions that are not responses (coherences, spectra): refuse the file, or leave them out and "
        "report it",
    )

    @model_validator(mode="after")
    def _one_source_of_directions(self) -> UffOptions:
        if sum(option is not None for option in (self.pattern, self.manifest, self.nodes)) != 1:
            raise ValueError("exactly one of pattern, manifest and nodes must state the directions")
        if self.direction_from != "file" and self.pattern is None:
            raise ValueError("direction_from needs a pattern")
        return self
