"""Harmonics of devices whose distortion is known, as the contract describes them."""

import json

import numpy as np
import xarray as xr

import capture_files
from anechain.data import contract

FREQUENCY = 1000 * 2.0 ** (np.arange(-60, 49) / 12)
"""Hz, 31.25 Hz to 16 kHz."""
QUADRATIC, CUBIC = 2e-6, 1e-10
"""x + a x^2 + b x^3 of a sine of amplitude A, so weak that the fundamental stays A: A^2 a / 2 and A^3 b / 4."""


def orders_of(level, count=3):
    """dB of orders 1 to 3 of a sine of `level` dB, in closed form; order 2 rises by 2 dB per dB, order 3 by 3."""
    amplitude = 10 ** (np.asarray(level, dtype=float) / 20)
    orders = [amplitude, QUADRATIC * amplitude**2 / 2, CUBIC * amplitude**3 / 4]
    return 20 * np.log10(np.stack(orders[:count]))


def harmonics(levels=(80.0, 86.0, 92.0), noise=-20.0, band=20000.0, **attrs) -> xr.Dataset:
    """A flat device at several drives; orders beyond the excitation's band are missing."""
    level = np.stack([np.repeat(orders_of(one)[:, None], FREQUENCY.size, axis=1) for one in levels])
    beyond = np.arange(1, 4)[:, None] * FREQUENCY > band
    level = np.where(beyond, np.nan, level)
    hiss = np.broadcast_to(np.where(beyond, np.nan, float(noise)), level.shape).copy()
    dims = ("drive", "order", "frequency")
    about = {
        "device": "rowan",
        "title": "Rowan",
        "level_kind": "spl",
        "importer": "closed form",
        "importer_version": "1",
        "import_report": "",
        "distance": 1.0,
        "environment": "Hall of the workshop",
    }
    dataset = xr.Dataset(
        {"level": (dims, level), "noise": (dims, hiss)},
        coords={
            "drive": [2.0 * 10 ** ((one - 86.0) / 20) for one in levels],
            "order": [1, 2, 3],
            "frequency": FREQUENCY,
        },
        attrs={name: value for name, value in (about | attrs).items() if value is not None},
    )
    return contract.describe(dataset, "harmonics")


def captured_device(device, title, environment="Hall of the workshop", harmonics=True) -> str:
    """A device's part of a campaign file: recordings "DEVICE horizontal 0 2V.wav", full scale being 20 Pa."""
    orders = "harmonics: {orders: 3}," if harmonics else ""
    return f"""\
  {device}:
    title: {title}
    responses:
      files: ["raw/{device} horizontal 0 *.wav"]
      importer: capture
      options: {{pattern: "{device} {{plane}} {{angle}} {{drive}}.wav", sensitivity: 20.0, {orders}
                grid: {{per_octave: 6}}, window: {{before: 2, after: 60}}, sweep: {json.dumps(capture_files.LAW)}}}
    setup: {{level_kind: spl, distance: 1, drive: 2, environment: {environment}, valid_band: [50, 18000]}}
"""
