"""Harmonic orders of a device at each drive, as the stage of distortion reads them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.acoustics.nonlinear.relative_orders import ReferredOrders, order_noise, referred_orders
from anechain.arrays import Floats
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.noise_rules import noise_rules

__all__ = ["USES", "DriveOrders", "drive_orders"]

USES = ("noise-rule", "order-noise", "referred-orders")


@dataclass(frozen=True)
class DriveOrders:
    """Harmonic orders at each drive, re the fundamental, inside the valid band.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz.
    drive : numpy.ndarray, shape (drives,)
        V.
    orders : tuple of int
        The orders, from 2 on.
    fundamental : numpy.ndarray, shape (drives, n)
        dB.
    relative : tuple of ReferredOrders
        By drive.
    takes : numpy.ndarray, shape (drives,)
        Number of captures that were averaged at each drive.
    """

    frequency: Floats
    drive: Floats
    orders: tuple[int, ...]
    fundamental: Floats
    relative: tuple[ReferredOrders, ...]
    takes: Floats


def drive_orders(inputs: MetricInputs) -> DriveOrders | None:
    """Return the orders at each drive, limited in frequency and marked as in the stage of distortion.

    None without the datasets "harmonics" and "distortion", or without a fundamental.
    """
    harmonics, distortion = inputs.datasets.get("harmonics"), inputs.datasets.get("distortion")
    if harmonics is None or distortion is None or 1 not in harmonics["order"].values:
        return None
    ordered = harmonics.transpose("drive", "order", "frequency")
    measured = np.asarray(ordered["order"].values)
    used = [row for row, order in enumerate(measured) if order in distortion["order"].values]
    if not used:
        return None
    frequency = np.asarray(ordered["frequency"].values, dtype=np.float64)
    low, high = (float(ordered.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    beyond = (measured[:, np.newaxis] > 1) & (measured[:, np.newaxis] * frequency > high * (1 + 1e-9))
    outside = (frequency < low) | (frequency > high)
    level = np.where(beyond | outside, np.nan, np.asarray(ordered["level"].values, dtype=np.float64))
    deviation = np.asarray(ordered["level_std"].values, dtype=np.float64) if "level_std" in ordered else None
    noise = order_noise(level, np.asarray(ordered["noise"].values, dtype=np.float64), deviation)
    fundamental = level[:, int(np.flatnonzero(measured == 1)[0])]
    rules = noise_rules(ordered, float(distortion.attrs["false_alarm_rate"]))
    drive = np.asarray(ordered["drive"].values, dtype=np.float64)
    takes = np.asarray(ordered["takes"].values, dtype=np.float64) if "takes" in ordered else np.ones(drive.size)
    return DriveOrders(
        frequency,
        drive,
        tuple(int(measured[row]) for row in used),
        fundamental,
        tuple(
            referred_orders(base, levels[used], noises[used], NoiseRule(margins[used], limits[used]))
            for base, levels, noises, margins, limits in zip(
                fundamental, level, noise, rules.margin_db, rules.limit, strict=True
            )
        ),
        np.maximum(takes, 1.0),
    )
