"""The strict base model of a campaign file, and the types of its fields."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

__all__ = ["Band", "CurveName", "Model", "Number", "Positive", "Printed", "RelativePath", "Share", "plain"]

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


class Model(BaseModel):
    """Base of all sections of a campaign: unknown keys are refused, and values cannot be changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True, str_strip_whitespace=True)


def _relative(path: str) -> str:
    if not path.strip() or Path(path).is_absolute() or ".." in Path(path).parts or _CONTROL.search(path):
        raise ValueError("a relative path inside the campaign's folder, without '..' and control characters")
    return path


def _printable(text: str) -> str:
    # Control characters are not allowed in SVG and HTML, where names in print end up.
    if _CONTROL.search(text):
        raise ValueError("one line without control characters")
    return text


RelativePath = Annotated[str, AfterValidator(_relative)]


def plain(value: Any) -> Any:
    """Return a value that JSON, and so a receipt, can represent; ValueError for any other."""
    match value:
        case None | bool() | str():
            pass
        case int() if abs(value) < 2**53:
            pass
        case float() if math.isfinite(value):
            pass
        case list():
            for item in value:
                plain(item)
        case dict() if all(isinstance(key, str) for key in value):
            for item in value.values():
                plain(item)
        case _:
            raise ValueError("text, finite numbers, true, false, null, and lists and keys of these")
    return value


# Strict, because true and "1" are not measured values.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]


Positive = Annotated[Number, Field(gt=0)]


Printed = Annotated[str, AfterValidator(_printable)]


CurveName = Literal["on_axis", "listening_window", "early_reflections", "sound_power", "in_room"]


def _rising(band: tuple[float, float]) -> tuple[float, float]:
    if not band[0] < band[1]:
        raise ValueError("a band: its lower end in Hz, then its upper end")
    return band


Band = Annotated[tuple[Positive, Positive], AfterValidator(_rising)]


Share = Annotated[Number, Field(gt=0, le=1)]
