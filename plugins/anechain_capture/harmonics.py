"""Harmonics of a device: levels of the harmonic orders on the axis at each drive."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.takes import JoinedTakes, join_takes
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_set import RecordingSet
from anechain_capture.valid_bands import bands_report

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
    joined = [_joined_orders(takes, reference) for takes in by_drive.values()]
    level, phase = (np.stack([getattr(takes, name) for takes in joined]) for name in ("level", "phase"))
    noise = np.stack([_joined_noise(takes, reference) for takes in by_drive.values()])
    dims = ("drive", "order", "frequency")
    volts = [volts_of[drive] for drive in by_drive]
    orders = np.array([band.order for band in recording_set.bands], dtype=np.int64)
    report.append(
        f"harmonic orders 1 to {orders[-1]} on the axis at {', '.join(f'{drive:g} V' for drive in volts)}, "
        "each at the frequency of the excitation; phase of order n re n times the phase of the excitation (0 degrees: "
        "a cosine), relative to the arrival; missing outside the band of the order"
    )
    variables: dict[str, tuple[tuple[str, ...], NDArray[np.generic]]] = {
        "level": (dims, level),
        "noise": (dims, noise),
        "phase": (dims, phase),
        "lowest": (("order",), np.array([band.low for band in recording_set.bands])),
        "highest": (("order",), np.array([band.high for band in recording_set.bands])),
    }
    if np.isnan(noise).all():
        report.append("noise of the harmonics missing: the recordings have no part without a response")
    else:
        stretches = [
            np.min([take.orders.stretches for take in takes if take.orders is not None], axis=0)
            for takes in by_drive.values()
        ]
        variables["stretches"] = (("drive", "order"), np.array(stretches, dtype=np.int32))
    if any(len(takes) > 1 for takes in by_drive.values()):
        counts = np.array([len(takes) for takes in by_drive.values()], dtype=np.int32)
        spread = np.stack([takes.standard_deviation for takes in joined])
        variables |= {"takes": (("drive",), counts), "level_std": (dims, spread)}
        listed = ", ".join(f"{number} at {drive:g} V" for number, drive in zip(counts, volts, strict=True))
        report.append(f"takes on the axis joined for the harmonics by their mean squared pressure: {listed}")
    dataset = xr.Dataset(variables, coords={"drive": volts, "order": orders, "frequency": recording_set.frequency})
    dataset.attrs["band_reasons"] = "\n".join(bands_report(recording_set.bands))
    return dataset


def _joined_orders(takes: Sequence[Recording], reference: float) -> JoinedTakes:
    """Return mean level, standard deviation and phase over takes at one drive."""
    pairs = [level_and_phase(take.orders.spectrum, reference) for take in takes if take.orders is not None]
    if len(pairs) > 1:
        return join_takes(np.stack([level for level, _ in pairs]), np.stack([phase for _, phase in pairs]))
    level, phase = pairs[0]
    return JoinedTakes(level, np.full(level.shape, np.nan), phase)


def _joined_noise(takes: Sequence[Recording], reference: float) -> Floats:
    """Return the mean level of the noise over takes at one drive, dB."""
    power = np.mean([take.orders.noise**2 for take in takes if take.orders is not None], axis=0)
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(power) - 20 * np.log10(reference))
