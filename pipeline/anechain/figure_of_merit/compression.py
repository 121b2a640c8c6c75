"""How the level lags behind the drive, and what the takes in their order tell of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.curve_parts import hertz
from anechain.acoustics.curve.frequencies import nominal_octave
from anechain.acoustics.nonlinear.coil_heating import ASSUMPTIONS
from anechain.data.numbers import Number
from anechain.figure_of_merit import compression_uncertainty
from anechain.figure_of_merit.compression_uncertainty import (
    CompressionErrors,
    coil_rise_uncertainty,
    compression_errors,
    drift_uncertainty,
    level_at_limit_uncertainty,
    level_change_uncertainty,
    shape_change_uncertainty,
    take_difference_uncertainty,
)
from anechain.figure_of_merit.labels import band_label, id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "USES", "compression_numbers"]

HEADING = "Compression"
USES = (
    "coil-temperature-rise",
    "compression-level-and-shape",
    "compression-recovery",
    "level-at-compression",
    "long-term-compression",
    "take-drift",
    *compression_uncertainty.USES,
)
NOT_MEASURED = "its fundamental was not measured at two drives or more"


def compression_numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Change of level and of shape at the highest drive, levels of octave bands at the limit, drift, long term.

    Parameters
    ----------
    inputs : Given
        With the dataset "compression" where there is one.
    """
    data = inputs.datasets.get("compression")
    if data is None:
        for method, key, title, unit in (
            ("compression-level-and-shape", "level_change", "Compression: change of level at the highest drive", "dB"),
            (
                "compression-level-and-shape",
                "shape_change",
                "Compression: change of shape at the highest drive, r.m.s.",
                "dB",
            ),
            ("level-at-compression", "octave_levels", "Levels at which octave bands pass the limit", "dB"),
            ("take-drift", "drift", "Drift, r.m.s.", "dB"),
        ):
            yield make_number(inputs, method, f"compression.{key}", HEADING, title, None, unit, reason=NOT_MEASURED)
        return
    errors = compression_errors(inputs, data)
    yield from _at_the_highest_drive(inputs, data, errors)
    yield from _octaves(inputs, data, errors)
    yield from _takes(inputs, data, errors)


def _at_the_highest_drive(inputs: MetricInputs, data: xr.Dataset, errors: CompressionErrors) -> Iterator[Number]:
    attrs = data.attrs
    band = float(attrs["band_low"]), float(attrs["band_high"])
    levels = np.asarray(data["level_change"].values, dtype=np.float64)
    volts = np.asarray(data["drive"].values, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(levels))
    row = int(known[-1]) if known.size else volts.size - 1
    from_to = f"from {volts[0]:.3g} to {volts[row]:.3g} V"
    value = float(levels[row]) if known.size and row else None
    reason = "" if value is not None else f"too much of {band_label(band)} is masked"
    changed = None if value is None else level_change_uncertainty(errors, row, band)
    yield make_number(
        inputs,
        "compression-level-and-shape",
        "compression.level_change",
        HEADING,
        f"Compression: change of level {from_to}",
        value,
        "dB",
        uncertainty=changed,
        note=f"mean compression, {band_label(band)}; negative: the level lags behind the drive",
        reason=reason,
    )
    yield make_number(
        inputs,
        "compression-level-and-shape",
        "compression.shape_change",
        HEADING,
        f"Compression: change of shape {from_to}, r.m.s.",
        float(data["shape_rms"].values[row]) if value is not None else None,
        "dB",
        uncertainty=None if value is None else shape_change_uncertainty(errors, row, band),
        note="compression less its mean, r.m.s. over log frequency",
        reason=reason,
    )
    rise = float(data["coil_rise"].values[row])
    known_rise = value is not None and bool(np.isfinite(rise))
    yield make_number(
        inputs,
        "coil-temperature-rise",
        "compression.coil_rise",
        HEADING,
        "Rise of the coil's temperature that would explain the change of level",
        rise if known_rise else None,
        "K",
        uncertainty=None
        if value is None or changed is None or not known_rise
        else coil_rise_uncertainty(value, rise, changed),
        note=f"a possibility only: {ASSUMPTIONS}",
        # A reason beside a value would be read as a doubt about it.
        reason="" if known_rise else reason or "the level rose by more than the drive",
    )


def _octaves(inputs: MetricInputs, data: xr.Dataset, errors: CompressionErrors) -> Iterator[Number]:
    limits = np.asarray(data["limit"].values, dtype=np.float64)
    limit = float(limits[np.argmin(np.abs(limits - float(data.attrs["compression_limit"])))])
    chosen = data.sel(limit=limit)
    for column, centre in enumerate(np.asarray(data["octave"].values, dtype=np.float64).tolist()):
        nominal = nominal_octave(centre)
        level, drive = (float(chosen[name].values[column]) for name in ("limit_level", "limit_drive"))
        reached = np.isfinite(level)
        yield make_number(
            inputs,
            "level-at-compression",
            f"compression.octave_{id_part(nominal)}",
            HEADING,
            f"Level at 1 m at which the octave band of {hertz(nominal)} Hz passes {limit:g} dB of compression",
            level if reached else None,
            "dB",
            uncertainty=level_at_limit_uncertainty(errors, column, limit) if reached else None,
            note=f"the band's own level, sine by sine; at {drive:.3g} V, read between measured drives"
            if reached
            else "",
            reason=str(chosen["limit_reason"].values[column]),
        )


def _takes(inputs: MetricInputs, data: xr.Dataset, errors: CompressionErrors) -> Iterator[Number]:
    told = json.loads(str(data.attrs["takes"]))
    gaps = json.loads(str(data.attrs["gaps"]))
    ends = float(data.attrs["band_low"]), float(data.attrs["band_high"])
    moved = told.get("drift", {})
    yield make_number(
        inputs,
        "take-drift",
        "compression.drift",
        HEADING,
        "Drift: the first level, repeated last, r.m.s.",
        moved.get("rms_db"),
        "dB",
        uncertainty=None if moved.get("rms_db") is None else drift_uncertainty(errors),
        note=f"{moved.get('verdict')} the limit of {moved.get('limit_db', 0):g} dB; takes {moved.get('first')} and "
        f"{moved.get('last')}"
        if moved.get("rms_db") is not None
        else "",
        reason=gaps.get("drift", "") or moved.get("reason", ""),
    )
    for name, method, title, absent in (
        (
            "long_term",
            "long-term-compression",
            "Long term less short term",
            "no drive was repeated at once, or the measuring order is not known",
        ),
        (
            "recovery",
            "compression-recovery",
            "Level after louder takes less that before them",
            "no level was repeated after louder ones, or the measuring order is not known",
        ),
    ):
        changes = [one for one in told.get(name, []) if one["mean_db"] is not None]
        if not changes:
            yield make_number(inputs, method, f"compression.{name}", HEADING, title, None, "dB", reason=absent)
            continue
        largest = max(changes, key=lambda one: abs(one["mean_db"]))
        seconds = "not timed" if largest["seconds"] is None else f"{largest['seconds']:g} s"
        yield make_number(
            inputs,
            method,
            f"compression.{name}",
            HEADING,
            title,
            float(largest["mean_db"]),
            "dB",
            uncertainty=take_difference_uncertainty(errors, ends),
            note=f"largest of {len(changes)}; at {largest['drive_v']:.3g} V, takes {largest['first']} and "
            f"{largest['last']}, {seconds}; mean, {band_label(ends)}",
        )
