"""Options of a campaign: the limits of the measurement checks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field, ValidationInfo, create_model, field_validator

from anechain.campaign.model import Model, Number
from anechain.data.checks import CHECK_KINDS

__all__ = ["CheckLimits"]

LimitPair = tuple[Number | None, Number | None]


def _field(id_: str) -> Any:
    kind = CHECK_KINDS[id_]
    side = "above" if kind.above else "below"
    unit = f" in {kind.unit}" if kind.unit else ""
    description = f"Limits {side} which the check is doubtful, and bad: {kind.about}{unit} ({kind.source_status})"
    return LimitPair, Field(default=kind.limits, description=description)


if TYPE_CHECKING:
    _Limits = Model
else:
    # A field for each kind of check, so that a new kind needs no entry here.
    _Limits = create_model("_Limits", __base__=Model, **{id_.replace("-", "_"): _field(id_) for id_ in CHECK_KINDS})


class CheckLimits(_Limits):
    """Limits of the measurement checks: doubtful beyond the first number, bad beyond the second."""

    @field_validator("*")
    @classmethod
    def _milder_first(cls, pair: LimitPair, info: ValidationInfo) -> LimitPair:
        doubtful, bad = pair
        above = CHECK_KINDS[str(info.field_name).replace("_", "-")].above
        if doubtful is not None and bad is not None and (bad < doubtful if above else bad > doubtful):
            raise ValueError("first the limit of doubtful, then the limit of bad, which must be further out")
        return pair

    def limits(self) -> dict[str, LimitPair]:
        """Return the limits by kind of check."""
        return {name.replace("_", "-"): getattr(self, name) for name in type(self).model_fields}
