"""Harmonics of a device: levels of the harmonic orders on the axis at each drive."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.takes import JoinedTakes, join_takes
from anechain.errors import InputError, Problem
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_set import RecordingSet

__all__ = ["harmonics_dataset"]


def harmonics_dataset(recording_set: RecordingSet, report: list[str]) -> xr.Dataset | None:
    """Return the dataset of harmonics; None without recordings on the axis.

    Parameters
    ----------
    recording_set : RecordingSet
    report : list of str
        Lines of the import report are appended to it.

    Raises
    ------
    InputError
        If the drive of a recording on the axis is not known.
    """
    volts_of = recording_set.volts
    with_orders = [recording for recording in recording_set.recordings if recording.orders is not None]
    if not with_orders:
        report.append("no harmonics: no recording on the axis")
        return None
    if unknown := [recording.label for recording in with_orders if recording.drive not in volts_of]:
        raise InputError(
            Problem(
                label,
                "harmonics need its drive, which is not known",
                "V r.m.s. of the sweep at the loudspeaker's terminals",
                "set the option `drive`, or `drives` for several",
            )
            for label in unknown
        )
    by_drive: dict[str, list[Recording]] = {}
    for recording in sorted(with_orders, key=lambda recording: volts_of[recording.drive]):
        by_drive.setdefault(recording.drive, []).append(recording)
    reference = REFERENCE_PRESSURE if recording_set.has_pascals else 1.0
    joined = [_joined_levels(takes, "orders", reference) for takes in by_drive.values()]
    level = np.stack([takes.level for takes in joined])
    noise = np.stack([_joined_levels(takes, "orders_noise", reference).level for takes in by_drive.values()])
    dims = ("drive", "order", "frequency")
    volts = [volts_of[drive] for drive in by_drive]
    order_count = level.shape[1]
    report.append(
        f"harmonic orders 1 to {order_count} on the axis at {', '.join(f'{drive:g} V' for drive in volts)}, "
        "each at the frequency of the excitation; missing where an order is outside the band of the excitation or "
        "below the lowest valid frequency of its window"
    )
    if np.isnan(noise).all():
        report.append("noise of the harmonics missing: the recordings have no part without a response")
    variables: dict[str, tuple[tuple[str, ...], NDArray[np.generic]]] = {"level": (dims, level), "noise": (dims, noise)}
    if any(len(takes) > 1 for takes in by_drive.values()):
        counts = np.array([len(takes) for takes in by_drive.values()], dtype=np.int32)
        spread = np.stack([takes.standard_deviation for takes in joined])
        variables |= {"takes": (("drive",), counts), "level_std": (dims, spread)}
        listed = ", ".join(f"{number} at {drive:g} V" for number, drive in zip(counts, volts, strict=True))
        report.append(f"takes on the axis joined for the harmonics by their mean squared pressure: {listed}")
    return xr.Dataset(
        variables,
        coords={
            "drive": volts,
            "order": np.arange(1, order_count + 1, dtype=np.int64),
            "frequency": recording_set.frequency,
        },
    )


def _joined_levels(takes: Sequence[Recording], quantity: str, reference: float) -> JoinedTakes:
    """Return the mean level in dB over takes at one drive; `quantity` is "orders" or "orders_noise"."""
    with np.errstate(divide="ignore"):
        levels = 20 * np.log10(np.stack([getattr(take, quantity) for take in takes]) / reference)
    if len(takes) > 1:
        return join_takes(levels)
    return JoinedTakes(levels[0], np.full(levels.shape[1:], np.nan), None)
