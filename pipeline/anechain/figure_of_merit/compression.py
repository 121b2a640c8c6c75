"""Numbers of the compression: change of level and shape with drive, levels at the limit, drift, long term."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.bands import nominal_octave
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.nonlinear.coil_heating import ASSUMPTIONS
from anechain.data.numbers import Number
from anechain.figure_of_merit import compression_uncertainty
from anechain.figure_of_merit.compression_uncertainty import (
    CompressionErrors,
    coil_rise_uncertainty,
    compression_errors,
    drift_per_take_uncertainty,
    drift_uncertainty,
    level_at_limit_uncertainty,
    level_change_uncertainty,
    shape_change_uncertainty,
    take_difference_uncertainty,
)
from anechain.figure_of_merit.labels import band_label, id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number
from anechain.figure_of_merit.take_drift import SWITCHED_OFF

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "USES", "compression_numbers"]

HEADING = "Compression"
USES = (
    "coil-temperature-rise",
    "compression-level-and-shape",
    "compression-recovery",
    "drift-removal",
    "level-at-compression",
    "long-term-compression",
    "take-drift",
    *compression_uncertainty.USES,
)
_REMOVED_TITLE = "Drift that was removed, per take"
NOT_MEASURED = "the fundamental was not measured at two drives or more"


def compression_numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield change of level and shape at the highest drive, levels of octave bands at the limit, drift, long term.

    Parameters
    ----------
    inputs : MetricInputs
        With the dataset "compression" if it exists.
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
            ("drift-removal", "drift_removed", _REMOVED_TITLE, "dB"),
        ):
            yield make_number(inputs, method, f"compression.{key}", HEADING, title, None, unit, reason=NOT_MEASURED)
        return
    errors = compression_errors(inputs, data)
    yield from _highest_drive_numbers(inputs, data, errors)
    yield from _octave_numbers(inputs, data, errors)
    yield from _take_numbers(inputs, data, errors)


def _highest_drive_numbers(inputs: MetricInputs, data: xr.Dataset, errors: CompressionErrors) -> Iterator[Number]:
    attrs = data.attrs
    band = float(attrs["band_low"]), float(attrs["band_high"])
    levels = np.asarray(data["level_change"].values, dtype=np.float64)
    volts = np.asarray(data["drive"].values, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(levels))
    row = int(known[-1]) if known.size else volts.size - 1
    drives = f"from {volts[0]:.3g} to {volts[row]:.3g} V"
    value = float(levels[row]) if known.size and row else None
    reason = "" if value is not None else f"too much of {band_label(band)} is not known"
    change = None if value is None else level_change_uncertainty(errors, row, band)
    yield make_number(
        inputs,
        "compression-level-and-shape",
        "compression.level_change",
        HEADING,
        f"Compression: change of level {drives}",
        value,
        "dB",
        uncertainty=change,
        note=f"mean compression, {band_label(band)}; negative: the level rises less than the drive"
        f"{_removed_text(data, row)}",
        reason=reason,
    )
    yield make_number(
        inputs,
        "compression-level-and-shape",
        "compression.shape_change",
        HEADING,
        f"Compression: change of shape {drives}, r.m.s.",
        float(data["shape_rms"].values[row]) if value is not None else None,
        "dB",
        uncertainty=None if value is None else shape_change_uncertainty(errors, row, band),
        note="compression minus its mean, r.m.s. over log frequency",
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
        if value is None or change is None or not known_rise
        else coil_rise_uncertainty(value, rise, change),
        note=f"a possibility, not a measurement: {ASSUMPTIONS}",
        # With a value, a reason would be reported as a doubt about it.
        reason="" if known_rise else reason or "the level rose by more than the drive",
    )


def _removed_text(data: xr.Dataset, row: int) -> str:
    if "drift_removed" not in data or not (removed := float(data["drift_removed"].values[row])):
        return ""
    return f"; a drift of {removed:+.2f} dB was removed"


def _octave_numbers(inputs: MetricInputs, data: xr.Dataset, errors: CompressionErrors) -> Iterator[Number]:
    limits = np.asarray(data["limit"].values, dtype=np.float64)
    limit = float(limits[np.argmin(np.abs(limits - float(data.attrs["compression_limit"])))])
    chosen = data.sel(limit=limit)
    for column, centre in enumerate(np.asarray(data["octave"].values, dtype=np.float64).tolist()):
        nominal = nominal_octave(centre)
        level, drive = (float(chosen[name].values[column]) for name in ("limit_level", "limit_drive"))
        reached = bool(np.isfinite(level))
        yield make_number(
            inputs,
            "level-at-compression",
            f"compression.octave_{id_part(nominal)}",
            HEADING,
            f"Level at 1 m at which the {format_hertz(nominal)} Hz octave band reaches {limit:g} dB of compression",
            level if reached else None,
            "dB",
            uncertainty=level_at_limit_uncertainty(errors, column, limit) if reached else None,
            note=f"level of the band with single sines; at {drive:.3g} V, interpolated between measured drives"
            if reached
            else "",
            reason=str(chosen["limit_reason"].values[column]),
        )


def _take_numbers(inputs: MetricInputs, data: xr.Dataset, errors: CompressionErrors) -> Iterator[Number]:
    takes = json.loads(str(data.attrs["takes"]))
    gaps = json.loads(str(data.attrs["gaps"]))
    band = float(data.attrs["band_low"]), float(data.attrs["band_high"])
    drift = takes.get("drift", {})
    yield make_number(
        inputs,
        "take-drift",
        "compression.drift",
        HEADING,
        "Drift: r.m.s. change of the first level when repeated last",
        drift.get("rms_db"),
        "dB",
        uncertainty=None if drift.get("rms_db") is None else drift_uncertainty(errors),
        note=f"{drift.get('verdict')} the limit of {drift.get('limit_db', 0):g} dB; takes {drift.get('first')} and "
        f"{drift.get('last')}"
        if drift.get("rms_db") is not None
        else "",
        reason=gaps.get("drift", "") or drift.get("reason", ""),
    )
    yield _removed_number(inputs, errors, takes.get("removed"), SWITCHED_OFF if takes else gaps.get("drift", ""))
    for name, method, title, reason in (
        (
            "long_term",
            "long-term-compression",
            "Change of level of takes that follow each other at one drive: last minus first",
            "no drive was repeated immediately, or the measuring order is not known",
        ),
        (
            "recovery",
            "compression-recovery",
            "Change of level after louder takes, at one drive: after minus before",
            "no level was repeated after louder ones, or the measuring order is not known",
        ),
    ):
        changes = [change for change in takes.get(name, []) if change["mean_db"] is not None]
        if not changes:
            yield make_number(inputs, method, f"compression.{name}", HEADING, title, None, "dB", reason=reason)
            continue
        largest = max(changes, key=lambda change: abs(change["mean_db"]))
        duration = "not timed" if largest["seconds"] is None else f"{largest['seconds']:g} s"
        yield make_number(
            inputs,
            method,
            f"compression.{name}",
            HEADING,
            title,
            float(largest["mean_db"]),
            "dB",
            uncertainty=take_difference_uncertainty(errors, band, largest["last"] - largest["first"]),
            note=f"largest of {len(changes)}; at {largest['drive_v']:.3g} V, takes {largest['first']} and "
            f"{largest['last']}, {duration}; mean, {band_label(band)}; negative: the later take is lower",
        )


def _removed_number(
    inputs: MetricInputs, errors: CompressionErrors, removed: Mapping[str, Any] | None, gap: str
) -> Number:
    """Return the drift per take that was removed from the levels; zero if the takes show none."""
    known = removed is not None and removed["verdict"] in ("removed", "none found")
    minute = None if removed is None else removed["per_minute_db"]
    return make_number(
        inputs,
        "drift-removal",
        "compression.drift_removed",
        HEADING,
        _REMOVED_TITLE,
        float(removed["per_take_db"]) if known and removed is not None else None,
        "dB",
        uncertainty=drift_per_take_uncertainty(errors, removed) if known and removed is not None else None,
        note="the first level returns: none was removed"
        if removed is not None and removed["verdict"] == "none found"
        else "linear, the same at all frequencies"
        + ("; start times are not known" if minute is None else f"; {minute:+.3f} dB per minute"),
        reason="" if known else gap if removed is None else str(removed["reason"]),
    )
