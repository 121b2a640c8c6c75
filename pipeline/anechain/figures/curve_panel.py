"""One panel of curves with marked points: the frame of the figures of limits, deviations and aim."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from anechain.campaign.model import CurveName
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.curve_set import CURVE_LOOKS, Look, curves_of, values_in_band
from anechain.figures.panel_elements import Panel, Point, Segment, Series
from anechain.figures.panels import stack_panels

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["NAMED_CURVE_LOOKS", "curves_with_values", "single_panel_figure"]


NAMED_CURVE_LOOKS: dict[str, Look] = {name: CURVE_LOOKS[name] for name in get_args(CurveName)}


def curves_with_values(curves: xr.Dataset, looks: Mapping[str, Look]) -> tuple[Series, ...]:
    """Return the curves that have a value, in the order of `looks`; raise InputError if no curve has one."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    lines = curves_of(curves, "level", "curve", looks, TITLES)
    if not lines:
        fix = "see the gaps of this device for what is missing"
        raise InputError.single(str(curves.attrs["title"]), "no curve has a value", fix=fix)
    return lines


def single_panel_figure(
    data: xr.Dataset,
    curves: Sequence[Series],
    what: str,
    notes: Sequence[str],
    points: Sequence[Point] = (),
    segments: Sequence[Segment] = (),
) -> dict[str, Any]:
    """Return the figure of one panel of levels with marked points.

    Parameters
    ----------
    data : xarray.Dataset
        With `frequency` in Hz and the attributes `title` and `level_kind`; the valid band sets the limits of levels.
    curves : sequence of Series
        The curves in the order of the legend.
    what : str
        What the figure shows, for the heading.
    notes : sequence of str
        Notes below the figure.
    points, segments : sequence of Point, sequence of Segment
        Marked points and line segments.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    attrs = data.attrs
    frequency, band = np.asarray(data["frequency"].values, np.float64), style.valid_band(attrs)
    limits = style.level_limits(values_in_band(curves, frequency, band))
    title = style.level_axis_title(str(attrs["level_kind"]))
    return stack_panels(
        frequency,
        [Panel("level", title, limits, tuple(curves), points=tuple(points), segments=tuple(segments))],
        title=str(attrs["title"]),
        lines=[f"{what}; {style.conditions_text(attrs)}"],
        notes=notes,
        band=band,
    )
