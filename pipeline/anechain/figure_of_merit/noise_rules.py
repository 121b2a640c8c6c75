"""Noise rule of each drive and order of a dataset `harmonics`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.nonlinear.noise_rule import NoiseRule, noise_rule

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "noise_rules"]

USES = ("noise-rule",)


def noise_rules(harmonics: xr.Dataset, rate: float) -> NoiseRule:
    """Return the rule of each drive and order, shape (drives, orders, 1).

    Noise of a dataset that does not state its stretches, such as that of a table, counts as known exactly.

    Parameters
    ----------
    harmonics : xarray.Dataset
    rate : float
        Wanted rate of false alarms.
    """
    drives, orders = harmonics.sizes["drive"], harmonics.sizes["order"]
    noise = np.asarray(harmonics["noise"].transpose("drive", "order", "frequency").values)
    if "stretches" in harmonics:
        stretches = np.asarray(harmonics["stretches"].transpose("drive", "order").values, dtype=np.float64)
    else:
        stretches = np.where(np.isfinite(noise).any(axis=-1), np.inf, 0.0)
    takes = np.ones(drives)
    if "takes" in harmonics:
        takes = np.maximum(np.asarray(harmonics["takes"].values, dtype=np.float64), 1.0)
    rule = noise_rule(rate, stretches, np.broadcast_to(takes[:, np.newaxis], (drives, orders)))
    return NoiseRule(rule.margin_db[..., np.newaxis], rule.limit[..., np.newaxis])
