"""Figure of one device's electrical impedance: modulus, phase, and what they ask of an amplifier."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import thinned
from anechain.figures.style import BLACK, BLUE, GREEN, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

    from anechain.acoustics.impedance.phase_range import PhaseRange

__all__ = ["OHM_DECADE", "impedance_figure", "impedance_of_device", "ohm_limits", "phase_limits"]


OHM_DECADE = style.PANEL_WIDTH / math.log10(style.FREQUENCY_RANGE[1] / style.FREQUENCY_RANGE[0])
"""Pixels of a decade of ohms: one decade of frequency is as long (IEC 60263:2020, clause 4.2, allows ratios of 0.5, 1,
1.25 and 2.5 for a logarithmic amplitude)."""

_MOST_DECADES = 4
_ROOM = 1.2
"""Room in the modulus panel below the least and above the greatest value, as a ratio: the marks' words stand there."""

NEAR_THE_EDGE = 0.15
"""Share of a panel's height that words need between their mark and the panel's edge."""

_PHASE_HEIGHT = 150.0
_QUARTER_TURN = 90.0


@dataclass(frozen=True)
class _Panel:
    name: str
    column: str
    title: str
    colour: str
    limits: tuple[float, float]
    height: float
    ticks: tuple[float, ...]
    labels: dict[str, str]
    scale: str

    @property
    def edges(self) -> tuple[str, str]:
        """Columns of the lower and the upper edge of the band about its line."""
        return f"{self.column}_low", f"{self.column}_high"


@dataclass(frozen=True)
class _Mark:
    """A point of a panel in words."""

    panel: str
    frequency: float
    value: float
    words: str
    colour: str
    shape: str


def ohm_limits(values: ArrayLike) -> tuple[float, float]:
    """Limits of a logarithmic ohm axis on 1, 2, 5, 10 ...: a decade or more, with room at either end.

    Values beyond four decades below the greatest are left outside.
    """
    finite = np.asarray(values, np.float64)
    finite = finite[np.isfinite(finite) & (finite > 0)]
    if not finite.size:
        return 1.0, 10.0
    top = _step(float(finite.max()) * _ROOM, up=True)
    low = _step(max(float(finite.min()) / _ROOM, top / 10**_MOST_DECADES), up=False)
    while top < 10 * low * (1 - 1e-9):
        top = _step(top * 1.01, up=True)
    return low, top


def _step(value: float, up: bool) -> float:
    """Nearest of 1, 2, 5 times a power of ten at or beyond a value."""
    decade = 10.0 ** math.floor(math.log10(value) + 1e-9)
    steps = [decade * step for step in (1, 2, 5, 10)]
    slack = 1e-9 * value
    return float(
        f"{min(s for s in steps if s >= value - slack) if up else max(s for s in steps if s <= value + slack):.6g}"
    )


def phase_limits(values: ArrayLike) -> tuple[float, float]:
    """Limits of a phase axis in degrees: a quarter turn either way, half a turn where the data go further."""
    finite = np.asarray(values, np.float64)
    finite = finite[np.isfinite(finite)]
    beyond = finite.size > 0 and float(np.abs(finite).max()) > _QUARTER_TURN
    return (-180.0, 180.0) if beyond else (-_QUARTER_TURN, _QUARTER_TURN)


def _ohm(value: float) -> str:
    return f"{value:.3g} Ω"


def _ohm_panel(name: str, column: str, title: str, colour: str, values: Floats) -> _Panel:
    low, high = ohm_limits(values)
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    digits = [float(f"{digit * 10.0**decade:.6g}") for decade in decades for digit in range(1, 10)]
    ticks = tuple(tick for tick in digits if low <= tick <= high)
    labels = {f"{tick:g}": f"{tick:g}" for tick in ticks if f"{tick:e}"[0] in "125"}
    return _Panel(name, column, title, colour, (low, high), OHM_DECADE * math.log10(high / low), ticks, labels, "log")


def _phase_panel(values: Floats) -> _Panel:
    low, high = phase_limits(values)
    ticks = tuple(np.arange(low, high + 1, 15.0 if high == _QUARTER_TURN else 30.0).tolist())
    labels = {f"{tick:g}": f"{tick:g}".replace("-", "−") for tick in ticks if tick % (high / 2) == 0}
    return _Panel("phase", "phase", "Phase in degrees", BLACK, (low, high), _PHASE_HEIGHT, ticks, labels, "linear")


def _on_axis(frequency: float | None) -> bool:
    return frequency is not None and style.FREQUENCY_RANGE[0] <= frequency <= style.FREQUENCY_RANGE[1]


def _half_widths(uncertainty: xr.Dataset | None) -> tuple[dict[str, Floats], float]:
    """Half the width of the bands by column, for what is known, and the factor they are expanded by."""
    if uncertainty is None:
        return {}, 1.0
    factor = float(uncertainty.attrs["coverage_factor"])
    found = {}
    for column, name in (("modulus", "magnitude"), ("phase", "phase")):
        parts = [uncertainty.get(f"{name}_{part}") for part in ("common", "own")]
        values = [np.asarray(part.values, np.float64) for part in parts if part is not None]
        if values and np.isfinite(values).any():
            found[column] = factor * np.sqrt(np.sum(np.square(values), axis=0))
    return found, factor


def _band_words(
    half: dict[str, Floats], factor: float, repeated: bool, modulus: Floats, shown: NDArray[np.bool_]
) -> str:
    """What the bands are, and how wide: most are no wider than the line."""
    sizes = []
    if "modulus" in half:
        sizes.append(f"{100 * np.nanmedian((half['modulus'] / modulus)[shown]):.2g} % of the modulus")
    if "phase" in half:
        sizes.append(f"{np.nanmedian(half['phase'][shown]):.2g}° of the phase")
    either = " and ".join(f"± {size}" for size in sizes)
    takes = " and of the spread of takes" if repeated else ""
    return (
        f"Pale bands, where they are wider than the line: expanded uncertainty, k = {factor:g}, of what is "
        f"stated{takes}; {either} in the median."
    )


def impedance_figure(impedance: xr.Dataset, uncertainty: xr.Dataset | None = None) -> dict[str, Any]:
    """The modulus with its minimum, rated value and box tuning; below it phase and equivalent dissipation, if known.

    Parameters
    ----------
    impedance : xarray.Dataset
        After the contract `impedance`: `magnitude` (frequency) in ohm, and `phase` in degrees if it was measured.
    uncertainty : xarray.Dataset, optional
        After the contract `impedance_uncertainty`, at the same frequencies: drawn as bands.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If the modulus has no value from 20 Hz to 20 kHz.
    """
    import altair as alt

    from anechain.acoustics.impedance.box_tuning import box_tuning
    from anechain.acoustics.impedance.equivalent_dissipation import equivalent_dissipation
    from anechain.acoustics.impedance.minimum import minimum_impedance
    from anechain.acoustics.impedance.phase_range import phase_range
    from anechain.acoustics.impedance.rated_impedance import rated_impedance

    attrs = impedance.attrs
    device = str(attrs.get("title") or attrs.get("device") or "")
    frequency = np.asarray(impedance["frequency"].values, np.float64)
    modulus = np.asarray(impedance["magnitude"].values, np.float64)
    phase = np.asarray(impedance["phase"].values, np.float64) if "phase" in impedance else None
    if phase is not None and np.isnan(phase).all():
        phase = None
    least = minimum_impedance(frequency, modulus)
    rated = rated_impedance(least)
    tuning = box_tuning(frequency, modulus, phase)
    dissipation = equivalent_dissipation(frequency, modulus, phase)
    if least.magnitude_ohm is None or least.frequency_hz is None:
        raise InputError.single(device, f"impedance: {least.reason}", "a modulus from 20 Hz to 20 kHz")

    shown = (frequency >= style.FREQUENCY_RANGE[0]) & (frequency <= style.FREQUENCY_RANGE[1])
    half, factor = _half_widths(uncertainty)
    bounds = [least.magnitude_ohm, *([rated.rated_ohm] if rated.rated_ohm else [])]
    if "modulus" in half:
        bounds += [
            float(np.nanmax((modulus + half["modulus"])[shown])),
            float(np.nanmin((modulus - half["modulus"])[shown])),
        ]
    panels = [_ohm_panel("modulus", "modulus", "Modulus in Ω", BLACK, np.append(modulus[shown], bounds))]
    marks = [_Mark("modulus", least.frequency_hz, least.magnitude_ohm, "minimum", VERMILION, "circle")]
    lines, notes = [_least_words(least.magnitude_ohm, least.frequency_hz, rated.rated_ohm, rated.reason)], []
    if least.at_edge:
        notes.append("The minimum lies at the end of the data: it may be lower beyond.")
    if tuning.tuning_hz is not None and tuning.saddle_ohm is not None:
        lines.append(f"Box tuning {style.hertz(tuning.tuning_hz)}, where the modulus is {_ohm(tuning.saddle_ohm)}")
        if _on_axis(tuning.tuning_hz):
            marks.append(_Mark("modulus", tuning.tuning_hz, tuning.saddle_ohm, "box tuning", GREEN, "diamond"))
        else:
            notes.append("The box tuning lies below the frequency axis.")
    else:
        notes.append(f"Box tuning not marked ({tuning.reason}).")
    columns = {"modulus": (modulus, 3)}
    if phase is not None and dissipation.resistance_ohm is not None:
        panels.append(_phase_panel(phase[shown]))
        marks += _phase_marks(phase_range(frequency, phase))
        columns |= {"phase": (phase, 2), "dissipation": (dissipation.resistance_ohm, 3)}
        title = "Equivalent peak dissipation in Ω"
        panels.append(_ohm_panel("dissipation", "dissipation", title, BLUE, dissipation.resistance_ohm[shown]))
        if dissipation.minimum_ohm is not None and dissipation.minimum_hz is not None:
            words = f"minimum {_ohm(dissipation.minimum_ohm)}"
            marks.append(
                _Mark("dissipation", dissipation.minimum_hz, dissipation.minimum_ohm, words, VERMILION, "circle")
            )
        notes.append(
            "Equivalent peak dissipation: the resistance at which a class B output stage would be as hot at the peak "
            "as with this modulus and phase."
        )
    else:
        notes.append(f"Not shown ({dissipation.reason}): Phase; Equivalent peak dissipation.")
    half = {column: width for column, width in half.items() if column in columns}
    for panel in panels:
        if panel.column in half:
            values, decimals = columns[panel.column]
            # An edge at or below zero has no place on a logarithmic axis: the band goes down to the axis' end.
            least_edge = panel.limits[0] if panel.scale == "log" else -np.inf
            low, high = np.maximum(values - half[panel.column], least_edge), values + half[panel.column]
            columns |= dict(zip(panel.edges, ((low, decimals), (high, decimals)), strict=True))
    if uncertainty is not None and half:
        repeated = any(bool((uncertainty[name] > 0).any()) for name in uncertainty if str(name).endswith("_own"))
        notes.append(_band_words(half, factor, repeated, modulus, shown))

    rows = thinned(frequency)
    data: dict[str, Any] = {"frequency": style.rounded_frequency(frequency[rows])}
    data |= {name: style.rounded(values[rows], decimals) for name, (values, decimals) in columns.items()}
    charts = [_chart(panel, panels, marks, rated.rated_ohm, notes, panel.column in half) for panel in panels]
    drive = f"; {float(attrs['drive']):.4g} V" if "drive" in attrs else ""
    chart = alt.vconcat(*charts, data=style.inline([data], "impedance")).properties(
        title=style.heading(device, [f"Electrical impedance{drive}", *lines])
    )
    spec = style.finish(chart, f"{device}: electrical impedance. {'. '.join(lines)}")
    for panel, view in zip(panels, spec["vconcat"], strict=True):
        # Named and joined here: Altair makes names of its own for views that hold a selection.
        view["layer"][-1]["name"] = f"{panel.name}_pointer"
        point = {"type": "point", "encodings": ["x"], "nearest": True, "on": "pointermove", "clear": "pointerout"}
        spec["params"].append({"name": f"{panel.name}_near", "select": point, "views": [f"{panel.name}_pointer"]})
    return spec


def _phase_marks(span: PhaseRange) -> list[_Mark]:
    """Where the phase is most capacitive and most inductive."""
    return [
        _Mark("phase", hz, degrees, f"{degrees:.0f}°".replace("-", "\N{MINUS SIGN}"), VERMILION, "circle")
        for degrees, hz in (
            (span.most_capacitive_deg, span.most_capacitive_hz),
            (span.most_inductive_deg, span.most_inductive_hz),
        )
        if degrees is not None and hz is not None
    ]


def _above(value: float, low: float, high: float) -> bool:
    """Whether words stand above a mark: outside of the curve, but inside the panel."""
    room = NEAR_THE_EDGE * (high - low)
    return value < low + room or 0.0 < value < high - room


def _least_words(ohm: float, hertz: float, rated: float | None, reason: str) -> str:
    least = f"Minimum impedance {_ohm(ohm)} at {style.hertz(hertz)}"
    return f"{least}; no rated impedance: {reason}" if rated is None else f"{least}: rated impedance {_ohm(rated)}"


def _chart(
    panel: _Panel, panels: list[_Panel], marks: list[_Mark], rated: float | None, notes: list[str], banded: bool
) -> alt.LayerChart:
    import altair as alt

    last = panel is panels[-1]
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    y_scale = alt.Scale(type=panel.scale, domain=list(panel.limits), nice=False, zero=False)  # type: ignore[arg-type] # a literal
    axis = alt.Axis(
        title=panel.title,
        values=list(panel.ticks),
        labelExpr=f"{style.labels_of(panel.labels)}[toString(datum.value)] || ''",
        labelOverlap=False,
        minExtent=34,
        gridColor=_grid_colour(panel),
    )
    # The same in every layer: Vega-Lite merges the axes of layers.
    y = alt.Y(f"{panel.column}:Q", scale=y_scale, axis=axis)
    all_columns = [one.column for one in panels]
    flat = alt.Chart().transform_flatten(["frequency", *all_columns])
    layers: list[alt.Chart] = []
    if panel.name == "modulus" and rated is not None:
        layers += _rated_layers(rated, panel, y)
    if panel.name == "phase":
        zero = alt.Chart(style.inline([{panel.column: 0}], "zero"))
        layers.append(zero.mark_rule(color=style.INK, strokeWidth=1).encode(y=y))
    if banded:
        low, high = panel.edges
        edges = alt.Chart().transform_flatten(["frequency", low, high])
        shade = edges.mark_area(color=panel.colour, opacity=0.18, clip=True)
        layers.append(shade.encode(x=x, y=alt.Y(f"{low}:Q", scale=y_scale, axis=axis), y2=f"{high}:Q"))
    layers.append(flat.mark_line(clip=True, strokeWidth=1.8, color=panel.colour).encode(x=x, y=y))
    layers += _mark_layers([mark for mark in marks if mark.panel == panel.name], panel, x, y)
    titles = {"modulus": "Modulus in Ω", "phase": "Phase in degrees", "dissipation": "Equivalent peak dissipation in Ω"}
    tooltip = [alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r")] + [
        alt.Tooltip(f"{name}:Q", title=titles[name], format=".1f" if name == "phase" else ".3~r")
        for name in all_columns
    ]
    near = {"param": f"{panel.name}_near", "value": 0.6, "empty": False}
    layers.append(
        alt.Chart()
        .transform_filter(style.LIVE)
        .transform_flatten(["frequency", *all_columns])
        .transform_filter(f"inrange(datum.frequency, [{style.FREQUENCY_RANGE[0]:g}, {style.FREQUENCY_RANGE[1]:g}])")
        .mark_rule(color="#666666", clip=True)
        .encode(x=x, opacity=alt.OpacityValue(0, condition=near), tooltip=tooltip)
    )
    properties: dict[str, Any] = {"width": style.PANEL_WIDTH, "height": panel.height}
    below = style.under_figure(notes) if last else None
    if below is not None:
        properties["title"] = below
    return alt.LayerChart(layer=layers, **properties)


def _grid_colour(panel: _Panel) -> Any:
    import altair as alt

    decades = [tick for tick in panel.ticks if panel.scale == "log" and f"{tick:e}"[0] == "1" and tick % 1 == 0]
    if not decades:
        return style.GRID
    test = " || ".join(f"datum.value == {tick:g}" for tick in decades)
    return alt.condition(test, alt.value(style.DECADE_GRID), alt.value(style.GRID))


def _rated_layers(rated: float, panel: _Panel, y: alt.Y) -> list[alt.Chart]:
    import altair as alt

    where = {panel.column: rated, "end": style.FREQUENCY_RANGE[1]}
    at = alt.Chart(style.inline([where], "rated"))
    words = at.mark_text(text=f"rated {_ohm(rated)}", align="left", baseline="middle", dx=8, fontSize=11, color=BLUE)
    return [
        at.mark_rule(color=BLUE, strokeWidth=1.4, strokeDash=[9, 3]).encode(y=y),
        words.encode(x=alt.X("end:Q", scale=style.frequency_scale()), y=y),
    ]


def _mark_layers(marks: list[_Mark], panel: _Panel, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """A filled point for each mark with its words under it, to the side that leaves the other's words free."""
    import altair as alt

    layers = []
    low, high = style.FREQUENCY_RANGE
    ordered = sorted(marks, key=lambda mark: mark.frequency)
    for number, mark in enumerate(ordered):
        share = math.log(mark.frequency / low) / math.log(high / low)
        alone = len(ordered) == 1 and 0.15 < share < 0.85
        align = "center" if alone else "left" if share < 0.15 or (number and share <= 0.85) else "right"
        where = {"frequency": round(mark.frequency, 2), panel.column: round(mark.value, 3)}
        at = alt.Chart(style.inline([where], f"{panel.name}_mark_{number}"))
        words: dict[str, Any] = {"text": mark.words, "align": align, "baseline": "top", "dy": 7, "fontSize": 11}
        if panel.scale == "linear" and _above(mark.value, *panel.limits):
            words |= {"baseline": "bottom", "dy": -7}
        layers += [
            # White around the letters, so that no line runs through them.
            at.mark_text(**words, stroke="white", strokeWidth=4, color="white").encode(x=x, y=y),
            at.mark_text(**words, color=style.INK).encode(x=x, y=y),
            at.mark_point(shape=mark.shape, filled=True, size=60, color=mark.colour, opacity=1).encode(x=x, y=y),
        ]
    return layers


def impedance_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the impedance."""
    caption = (
        "Electrical impedance: modulus with its minimum and the rated value that it allows; phase and equivalent "
        "dissipation below, if the phase was measured."
    )
    reads = tuple(name for name in ("impedance.nc", "impedance_uncertainty.nc") if name in data)
    yield DeviceFigure("impedance", caption, reads, impedance_figure)
