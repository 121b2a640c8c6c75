"""What can be declared about an AES69 file that the file itself does not say."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from anechain.importing.frames import Axis, FieldOptions

__all__ = ["SofaOptions"]


class SofaOptions(FieldOptions):
    """Options of the AES69 importer."""

    reference_axis: Axis | None = Field(
        None,
        description='The loudspeaker\'s reference axis in the file\'s coordinates: "+x", "-x", "+y", "-y", "+z", "-z" '
        "or three numbers. Overrides SourceView; must be declared where the file has none.",
    )
    up: Axis | None = Field(
        None,
        description="The loudspeaker's upward direction in the file's coordinates, as for reference_axis. Overrides "
        "SourceUp; must be declared where the file has none.",
    )
    directions: Literal["receivers", "sources", "measurements"] = Field(
        "receivers",
        description="What runs over the directions: the receivers (ReceiverPosition), the source positions of the "
        "measurements (SourcePosition, as in data laid out for listeners), or the measurements of a turntable or a "
        "moved microphone (SourceView or ListenerPosition over M).",
    )
    measurement: int | None = Field(
        None,
        ge=0,
        description="Which one to take, from 0, where the file holds several for each direction (measurements, "
        "receivers or emitters that are not the directions). A file with several is refused with their list until "
        "one is chosen.",
    )
    quantity: Literal["relative", "pascal"] = Field(
        "relative",
        description="What the data are. AES69 does not say: relative (level of the bare number, good for shapes "
        "only) or pascal (level re 20 µPa).",
    )
    magnitude_only: bool = Field(
        False,
        description="Accept transfer functions whose imaginary part is zero everywhere although the real part "
        "changes sign, and take the real part's magnitude. True of ideal sources with phases of 0° and 180° only; "
        "in measured data it means that the imaginary part was lost.",
    )
    max_gap: float = Field(
        15.0,
        gt=0,
        le=90,
        description="Widest hole in degrees that may be bridged: between grid points for an orbit direction, and "
        "anywhere on the grid for it to count as a full sphere.",
    )
