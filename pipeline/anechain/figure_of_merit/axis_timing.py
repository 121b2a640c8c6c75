"""Time and phase of a device on the reference axis: minimum and excess phase, group delay, decay, impulse response."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.phase.burst_decay import BurstDecay, burst_decay
from anechain.acoustics.phase.excess_phase import ExcessPhase, excess_phase
from anechain.acoustics.phase.group_delay import group_delay
from anechain.acoustics.phase.impulse_response import ImpulseResponse, impulse_response
from anechain.acoustics.phase.minimum_phase import EdgeSlopes, edge_slopes
from anechain.arrays import Floats
from anechain.figure_of_merit.metric_inputs import BAND_TOLERANCE, MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["NO_AXIS", "NO_PHASE", "USES", "AxisTiming", "axis_timing", "timing_dataset"]

USES = ("burst-decay", "excess-phase", "group-delay", "impulse-response", "minimum-phase")
NO_PHASE = "no phase on the axis: export it with the level, or measure swept sines or impulse responses"
NO_AXIS = "no measurement at 0° in the valid band"
TOO_FEW = "needs 12 frequencies per octave or more, over 3 octaves or more of the valid band"
WIDEST_STEP = 1.05 / 12.0
"""Octaves from one frequency to the next: at a coarser grid neither level nor phase is known in between. Common
practice, no source."""
MIN_OCTAVES = 3.0
"""Octaves of the valid band below which a minimum phase means nothing: an octave at each end depends on what is
beyond. Common practice, no source."""
POINTS_PER_OCTAVE = 24
DROPS = (10.0, 20.0, 30.0)
"""dB; drops of the decay in the dataset, with that of the options."""
LONGEST_TIME = 0.005
"""Seconds after the arrival that are kept of impulse and step response."""


@dataclass(frozen=True)
class AxisTiming:
    """Time and phase of the response on the axis.

    Attributes
    ----------
    measured, level : numpy.ndarray, shape (n,)
        Hz and dB: the measured response in the valid band.
    phase : ExcessPhase
        At the measured frequencies.
    frequency : numpy.ndarray, shape (m,)
        Hz, 24 per octave.
    group_delay, excess_group_delay, uncertainty : numpy.ndarray, shape (m,)
        Seconds; NaN at the ends of the band. `uncertainty` is the standard uncertainty of the excess group delay.
    drops : tuple of float
        dB.
    decay : BurstDecay
        At `frequency`.
    response : ImpulseResponse
    """

    measured: Floats
    level: Floats
    phase: ExcessPhase
    frequency: Floats
    group_delay: Floats
    excess_group_delay: Floats
    uncertainty: Floats
    drops: tuple[float, ...]
    decay: BurstDecay
    response: ImpulseResponse


def _response_on_axis(inputs: MetricInputs) -> tuple[Floats, Floats, Floats] | str:
    """Return frequency, level and phase on the axis in the valid band, or why there are none."""
    if "axis" in inputs.datasets:
        axis = inputs.datasets["axis"]
        names = ("frequency", "level", "phase")
        frequency, level, phase = (np.asarray(axis[name].values, np.float64) for name in names)
        candidates = [(level, phase)]
        limits = axis.attrs
    else:
        responses = inputs.datasets["responses"]
        if "phase" not in responses:
            return NO_PHASE
        frequency, limits = np.asarray(responses["frequency"].values, np.float64), responses.attrs
        on_axis = np.flatnonzero(np.asarray(responses["angle"].values) == 0)
        if not on_axis.size:
            return NO_AXIS
        levels, phases = (
            np.asarray(responses[name].transpose("plane", "angle", "frequency").values, np.float64)[:, on_axis[0]]
            for name in ("level", "phase")
        )
        candidates = list(zip(levels, phases, strict=True))
    slack = 2.0**BAND_TOLERANCE
    valid = (frequency >= limits.get("valid_low", 0.0) / slack) & (
        frequency <= limits.get("valid_high", np.inf) * slack
    )
    # Both orbits share the axis; the first one that has it counts.
    for level, phase in candidates:
        known = valid & np.isfinite(level)
        if known.any():
            known &= np.isfinite(phase)
            return (frequency[known], level[known], phase[known]) if known.any() else NO_PHASE
    return NO_AXIS


def axis_timing(inputs: MetricInputs) -> AxisTiming | str:
    """Return time and phase of the response on the axis, or the reason why they are not known."""
    found = _response_on_axis(inputs)
    if isinstance(found, str):
        return found
    frequency, level, phase = found
    octaves = np.log2(frequency)
    if octaves[-1] - octaves[0] < MIN_OCTAVES or np.median(np.diff(octaves)) > WIDEST_STEP:
        return TOO_FEW
    slopes = edge_slopes(frequency, level)
    parts = excess_phase(frequency, level, phase, slopes)
    if parts.delay is None:
        return parts.reason
    return _timing(frequency, level, parts, slopes, inputs.options.timing.decay_drop)


def _timing(frequency: Floats, level: Floats, parts: ExcessPhase, slopes: EdgeSlopes, drop: float) -> AxisTiming:
    steps = POINTS_PER_OCTAVE * np.log2(frequency[[0, -1]] / 1000.0)
    numbers = np.arange(np.ceil(steps[0] - 1e-9), np.floor(steps[1] + 1e-9) + 1)
    grid = np.clip(1000.0 * 2.0 ** (numbers / POINTS_PER_OCTAVE), frequency[0], frequency[-1])
    whole = parts.minimum + parts.excess
    errors = [group_delay(frequency, error, grid) for error in (parts.low_error, parts.high_error)]
    drops = tuple(sorted({*DROPS, drop}))
    # Beyond one period of the lowest valid frequency nothing is known of the step.
    after = min(LONGEST_TIME, 1.0 / float(frequency[0]))
    return AxisTiming(
        measured=frequency,
        level=level,
        phase=parts,
        frequency=grid,
        group_delay=group_delay(frequency, whole, grid),
        excess_group_delay=group_delay(frequency, parts.excess, grid),
        uncertainty=np.hypot(*errors),
        drops=drops,
        decay=burst_decay(frequency, level, whole, grid, drops),
        response=impulse_response(frequency, level, parts.excess, slopes, after=after),
    )


def timing_dataset(inputs: MetricInputs, timing: AxisTiming | str) -> xr.Dataset | None:
    """Return the dataset `timing`; None if time and phase are not known."""
    import xarray as xr

    from anechain.data import contract

    if isinstance(timing, str):
        return None
    responses = inputs.datasets["responses"].attrs
    at = timing.frequency
    variables = {
        "minimum_phase": np.interp(at, timing.measured, timing.phase.minimum),
        "excess_phase": np.interp(at, timing.measured, timing.phase.excess),
        "group_delay": timing.group_delay,
        "excess_group_delay": timing.excess_group_delay,
        "excess_group_delay_uncertainty": timing.uncertainty,
        "decay_known": timing.decay.known,
    }
    dataset = xr.Dataset(
        {
            "impulse": ("time", timing.response.impulse),
            "step": ("time", timing.response.step),
            **{name: ("frequency", values) for name, values in variables.items()},
            "decay": (("drop", "frequency"), timing.decay.periods),
        },
        coords={"time": timing.response.time, "frequency": at, "drop": np.array(timing.drops)},
        attrs={
            "device": responses["device"],
            "title": responses["title"],
            "delay": timing.phase.delay,
            "coverage_factor": inputs.options.uncertainty.coverage_factor,
            **{name: responses[name] for name in ("valid_low", "valid_high") if name in responses},
        },
    )
    return contract.describe(dataset, "timing")
