"""A loudspeaker in closed form for tests: a diaphragm whose excursion bends the pressure, and a coil that warms up."""

import numpy as np
import xarray as xr

from anechain.data.contract import describe

FREQUENCY = np.geomspace(20.0, 10_000.0, 217)
DRIVES = (1.0, 2.0, 4.0, 8.0, 16.0)
COPPER, RESISTANCE, THERMAL_RESISTANCE = 0.00393, 6.0, 0.6
QUADRATIC, CUBIC = 0.04, 0.0022

ABOUT = {
    "device": "willow",
    "title": "Willow 8",
    "level_kind": "spl",
    "importer": "rings",
    "importer_version": "1",
    "import_report": "",
    "distance": 1.0,
    "measured_distance": 1.0,
}


def excursion(frequency, drive):
    """Excursion by frequency: flat below 50 Hz, falling by 12 dB an octave above."""
    return np.asarray(drive) / (1 + (np.asarray(frequency) / 50.0) ** 2)


def warmth(drive):
    """Equilibrium of one thermal resistance at constant voltage, K: [-1 + sqrt(1 + 4 a Rth P0)] / (2 a)."""
    power = np.asarray(drive) ** 2 / RESISTANCE
    return (-1 + np.sqrt(1 + 4 * COPPER * THERMAL_RESISTANCE * power)) / (2 * COPPER)


def response(frequency):
    """Second-order Butterworth high-pass at 50 Hz, 85 dB at 1 V and 1 m."""
    x = (np.asarray(frequency) / 50.0) ** 4
    return 85 + 10 * np.log10(x / (1 + x))


def order_levels(frequency, drive):
    """Levels of orders 1 to 3 in dB: y = x + a x^2 - c x^3 of a sine has H1 = 1 - 3/4 c X^2, a X / 2 and c X^2 / 4."""
    x = excursion(frequency, drive)
    linear = response(frequency) + 20 * np.log10(drive / 1.0)
    heat = -20 * np.log10(1 + COPPER * warmth(drive))
    with np.errstate(divide="ignore"):
        parts = [np.abs(1 - 0.75 * CUBIC * x**2), QUADRATIC * x / 2, CUBIC * x**2 / 4]
        return np.stack([linear + heat + 20 * np.log10(part) for part in parts])


def harmonics(drives=DRIVES, noise=-20.0, **attributes) -> xr.Dataset:
    level = np.stack([order_levels(FREQUENCY, drive) for drive in drives])
    dims = ("drive", "order", "frequency")
    dataset = xr.Dataset(
        {"level": (dims, level), "noise": (dims, np.full(level.shape, float(noise)))},
        coords={"drive": list(drives), "order": [1, 2, 3], "frequency": FREQUENCY},
        attrs=ABOUT | attributes,
    )
    return describe(dataset, "harmonics")


def takes(drives=(1.0, 2.0, 4.0, 8.0, 16.0, 16.0, 1.0), shift=(), pause=60.0, **attributes) -> xr.Dataset:
    """Takes in equilibrium, a minute apart; `shift` adds decibels to each take."""
    level = np.stack([order_levels(FREQUENCY, drive)[0] for drive in drives])
    if len(shift):
        level = level + np.asarray(shift)[:, np.newaxis]
    number = len(drives)
    dataset = xr.Dataset(
        {
            "level": (("take", "frequency"), level),
            "drive": ("take", np.array(drives, float)),
            "started": ("take", np.arange(number) * pause),
            "recording": ("take", np.array([f"take {n}.wav" for n in range(1, number + 1)], dtype=object)),
        },
        coords={"take": np.arange(1, number + 1), "frequency": FREQUENCY},
        attrs=ABOUT | attributes,
    )
    return describe(dataset, "takes")
