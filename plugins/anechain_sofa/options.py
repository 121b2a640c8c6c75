"""Options of the AES69 importer: what a file does not state."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from anechain.importing.frames import Axis, FieldOptions

__all__ = ["SofaOptions"]


class SofaOptions(FieldOptions):
    """Options of the AES69 importer."""

    reference_axis: Axis | None = Field(
        None,
        description='reference axis of the loudspeaker in the file\'s coordinates: "+x", "-x", "+y", "-y", "+z", "-z" '
        "or three numbers; overrides SourceView; required if the file has none",
    )
    up: Axis | None = Field(
        None,
        description="upward direction of the loudspeaker in the file's coordinates, in the form of reference_axis; "
        "overrides SourceUp; required if the file has none",
    )
    directions: Literal["receivers", "sources", "measurements"] = Field(
        "receivers",
        description="dimension of the directions: receivers (ReceiverPosition), sources (SourcePosition over the "
        "measurements, as in the layouts for listeners), or measurements (SourceView or ListenerPosition over M, for "
        "a turntable or a moved microphone)",
    )
    measurement: int | None = Field(
        None,
        ge=0,
        description="index, from 0, of the measurement, receiver or emitter to read, if the file has several for each "
        "direction; such a file is refused with a list of them until one is chosen",
    )
    quantity: Literal["relative", "pascal"] = Field(
        "relative",
        description="unit of the data, which AES69 does not state: relative (levels without absolute reference) or "
        "pascal (levels re 20 µPa)",
    )
    magnitude_only: bool = Field(
        False,
        description="accept transfer functions whose imaginary part is zero everywhere although the real part changes "
        "sign, and use the magnitude of the real part; correct for ideal sources with phases of 0° and 180° only: in "
        "measured data the imaginary part has been lost",
    )
    max_gap: float = Field(
        15.0,
        gt=0,
        le=90,
        description="widest gap of the grid in degrees across which levels are interpolated, and that a full sphere "
        "may have",
    )
