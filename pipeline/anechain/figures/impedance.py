"""Figure of the electrical impedance of a device: modulus, phase and equivalent peak dissipation."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_parts import drawn_rows
from anechain.figures.style import BLACK, BLUE, GREEN, VERMILION

if TYPE_CHECKING:
    import xarray as xr

    from anechain.acoustics.impedance.phase_range import PhaseRange
from anechain.figures.impedance_chart import impedance_chart
from anechain.figures.impedance_panels import (
    ImpedanceMark,
    format_ohm,
    half_widths,
    ohm_panel,
    phase_panel,
)

__all__ = ["impedance_figure", "impedance_of_device"]


def impedance_figure(impedance: xr.Dataset, uncertainty: xr.Dataset | None = None) -> dict[str, Any]:
    """Return the figure of the modulus with minimum, rated value and box tuning, and of phase and dissipation.

    Phase and equivalent peak dissipation are drawn if the phase was measured.

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
    minimum = minimum_impedance(frequency, modulus)
    rated = rated_impedance(minimum)
    tuning = box_tuning(frequency, modulus, phase)
    dissipation = equivalent_dissipation(frequency, modulus, phase)
    if minimum.magnitude_ohm is None or minimum.frequency_hz is None:
        raise InputError.single(device, f"impedance: {minimum.reason}", "a modulus from 20 Hz to 20 kHz")

    shown = (frequency >= style.FREQUENCY_RANGE[0]) & (frequency <= style.FREQUENCY_RANGE[1])
    widths, factor = half_widths(uncertainty)
    bounds = [minimum.magnitude_ohm, *([rated.rated_ohm] if rated.rated_ohm else [])]
    if "modulus" in widths:
        bounds += [
            float(np.nanmax((modulus + widths["modulus"])[shown])),
            float(np.nanmin((modulus - widths["modulus"])[shown])),
        ]
    panels = [ohm_panel("modulus", "modulus", "Modulus in Ω", BLACK, np.append(modulus[shown], bounds))]
    marks = [ImpedanceMark("modulus", minimum.frequency_hz, minimum.magnitude_ohm, "minimum", VERMILION, "circle")]
    lines, notes = [_minimum_text(minimum.magnitude_ohm, minimum.frequency_hz, rated.rated_ohm, rated.reason)], []
    if minimum.at_edge:
        notes.append("The minimum is at the end of the data; the modulus may be lower beyond.")
    if tuning.tuning_hz is not None and tuning.saddle_ohm is not None:
        tuning_text = style.format_frequency(tuning.tuning_hz)
        lines.append(f"Box tuning {tuning_text}, where the modulus is {format_ohm(tuning.saddle_ohm)}")
        if _is_drawn(tuning.tuning_hz):
            marks.append(ImpedanceMark("modulus", tuning.tuning_hz, tuning.saddle_ohm, "box tuning", GREEN, "diamond"))
        else:
            notes.append("The box tuning is below the frequency axis.")
    else:
        notes.append(f"Box tuning not marked ({tuning.reason}).")
    columns = {"modulus": (modulus, 3)}
    if phase is not None and dissipation.resistance_ohm is not None:
        panels.append(phase_panel(phase[shown]))
        marks += _phase_marks(phase_range(frequency, phase))
        columns |= {"phase": (phase, 2), "dissipation": (dissipation.resistance_ohm, 3)}
        title = "Equivalent peak dissipation in Ω"
        panels.append(ohm_panel("dissipation", "dissipation", title, BLUE, dissipation.resistance_ohm[shown]))
        if dissipation.minimum_ohm is not None and dissipation.minimum_hz is not None:
            label = f"minimum {format_ohm(dissipation.minimum_ohm)}"
            marks.append(
                ImpedanceMark(
                    "dissipation", dissipation.minimum_hz, dissipation.minimum_ohm, label, VERMILION, "circle"
                )
            )
        notes.append(
            "Equivalent peak dissipation: the resistance at which a class B output stage would be as hot at the peak "
            "as with this modulus and phase."
        )
    else:
        notes.append(f"Not shown ({dissipation.reason}): Phase; Equivalent peak dissipation.")
    widths = {column: width for column, width in widths.items() if column in columns}
    for panel in panels:
        if panel.column in widths:
            values, decimals = columns[panel.column]
            # A logarithmic axis cannot show an edge at or below zero: the band ends at the lower limit of the axis.
            least_edge = panel.limits[0] if panel.scale == "log" else -np.inf
            low, high = np.maximum(values - widths[panel.column], least_edge), values + widths[panel.column]
            columns |= dict(zip(panel.edges, ((low, decimals), (high, decimals)), strict=True))
    if uncertainty is not None and widths:
        repeated = any(bool((uncertainty[name] > 0).any()) for name in uncertainty if str(name).endswith("_own"))
        notes.append(_band_note(widths, factor, repeated, modulus, shown))

    rows = drawn_rows(frequency)
    data: dict[str, Any] = {"frequency": style.rounded_frequencies(frequency[rows])}
    data |= {name: style.rounded(values[rows], decimals) for name, (values, decimals) in columns.items()}
    charts = [impedance_chart(panel, panels, marks, rated.rated_ohm, notes, panel.column in widths) for panel in panels]
    drive = f"; {float(attrs['drive']):.4g} V" if "drive" in attrs else ""
    chart = alt.vconcat(*charts, data=style.inline_data([data], "impedance")).properties(
        title=style.heading(device, [f"Electrical impedance{drive}", *lines])
    )
    spec = style.finish_spec(chart, f"{device}: electrical impedance. {'. '.join(lines)}")
    for panel, view in zip(panels, spec["vconcat"], strict=True):
        # Named here, since Altair generates other names for views with a selection.
        view["layer"][-1]["name"] = f"{panel.name}_pointer"
        point = {"type": "point", "encodings": ["x"], "nearest": True, "on": "pointermove", "clear": "pointerout"}
        spec["params"].append({"name": f"{panel.name}_near", "select": point, "views": [f"{panel.name}_pointer"]})
    return spec


def _is_drawn(frequency: float | None) -> bool:
    return frequency is not None and style.FREQUENCY_RANGE[0] <= frequency <= style.FREQUENCY_RANGE[1]


def _minimum_text(ohm: float, frequency: float, rated: float | None, reason: str) -> str:
    text = f"Minimum impedance {format_ohm(ohm)} at {style.format_frequency(frequency)}"
    return f"{text}; no rated impedance: {reason}" if rated is None else f"{text}: rated impedance {format_ohm(rated)}"


def _band_note(
    half: dict[str, Floats], factor: float, repeated: bool, modulus: Floats, shown: NDArray[np.bool_]
) -> str:
    """Return the note on the uncertainty bands with their median widths: most bands are not wider than the curve."""
    sizes = []
    if "modulus" in half:
        sizes.append(f"{100 * np.nanmedian((half['modulus'] / modulus)[shown]):.2g} % of the modulus")
    if "phase" in half:
        sizes.append(f"{np.nanmedian(half['phase'][shown]):.2g}° of the phase")
    sizes_text = " and ".join(f"± {size}" for size in sizes)
    takes = " and the spread of takes" if repeated else ""
    return (
        f"Pale bands, where wider than the curve: expanded uncertainty (k = {factor:g}) of the stated "
        f"components{takes}; median {sizes_text}."
    )


def _phase_marks(span: PhaseRange) -> list[ImpedanceMark]:
    """Return the marks of the most capacitive and the most inductive phase."""
    return [
        ImpedanceMark("phase", hz, degrees, f"{degrees:.0f}°".replace("-", "\N{MINUS SIGN}"), VERMILION, "circle")
        for degrees, hz in (
            (span.most_capacitive_deg, span.most_capacitive_hz),
            (span.most_inductive_deg, span.most_inductive_hz),
        )
        if degrees is not None and hz is not None
    ]


def impedance_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the impedance."""
    caption = (
        "Electrical impedance: modulus with its minimum and rated value; phase and equivalent peak "
        "dissipation below, if the phase was measured."
    )
    reads = tuple(name for name in ("impedance.nc", "impedance_uncertainty.nc") if name in data)
    yield DeviceFigure("impedance", caption, reads, impedance_figure)
