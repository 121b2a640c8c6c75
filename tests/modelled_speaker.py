"""A modelled two-way loudspeaker, for tests of what is drawn: pistons, a crossover, an enclosure.

Far-field directivity of a piston in a baffle, 2 J1(x)/x with x = ka sin(angle) (Kinsler et al., Fundamentals of
Acoustics, section 7.4; recalled); second-order Butterworth high-pass at 50 Hz; fourth-order Linkwitz-Riley crossover at
2 kHz; the two drivers are stacked, so their path difference makes the vertical orbit lobe. Towards the rear an
enclosure's shadow is put on by a first-order factor, from all-round at low to cardioid at high frequencies: an
engineering model, no source.
"""

from __future__ import annotations

import json

import numpy as np
import xarray as xr
from scipy.special import j1

from anechain.arrays import Floats

SPEED = 343.2
WOOFER, TWEETER, SPACING = 0.065, 0.0125, 0.17
ANGLES = np.arange(-170.0, 181.0, 10.0)


def log_frequencies(per_octave: int = 24) -> Floats:
    """20 Hz to 20 kHz in equal steps on the log axis, both ends included."""
    return np.geomspace(20.0, 20_000.0, round(per_octave * np.log2(1000.0)) + 1)


def piston(radius: float, frequency: Floats, angle: Floats) -> Floats:
    x = 2 * np.pi * frequency / SPEED * radius * np.abs(np.sin(np.deg2rad(angle)))
    return np.where(x < 1e-6, 1.0, 2 * j1(np.maximum(x, 1e-6)) / np.maximum(x, 1e-6))


def responses(
    frequency: Floats,
    angles: Floats = ANGLES,
    *,
    sensitivity: float = 86.0,
    crossover: float = 2000.0,
    tuning: float = 50.0,
    title: str = "Rowan 6, two-way for small halls",
) -> xr.Dataset:
    """Level (plane, angle, frequency) of the modelled loudspeaker."""
    s = 1j * frequency / tuning
    bass = s**2 / (s**2 + np.sqrt(2) * s + 1)
    q = 1j * frequency / crossover
    half = q**2 + np.sqrt(2) * q + 1
    k = 2 * np.pi * frequency / SPEED
    level = np.empty((2, angles.size, frequency.size))
    for p, plane in enumerate(("horizontal", "vertical")):
        for a, angle in enumerate(angles):
            path = SPACING / 2 * np.sin(np.deg2rad(angle)) if plane == "vertical" else 0.0
            radiated = bass / half**2 * piston(WOOFER, frequency, angle) * np.exp(-1j * k * path)
            radiated = radiated + bass * q**4 / half**2 * piston(TWEETER, frequency, angle) * np.exp(1j * k * path)
            shadow = (k * 0.1) ** 2 / (1 + (k * 0.1) ** 2)
            factor = (1 + 0.95 * shadow * np.cos(np.deg2rad(angle))) / (1 + 0.95 * shadow)
            level[p, a] = sensitivity + 20 * np.log10(np.abs(radiated * factor) + 1e-6)
    return xr.Dataset(
        {"level": (("plane", "angle", "frequency"), level)},
        coords={"plane": ["horizontal", "vertical"], "angle": angles, "frequency": frequency},
        attrs={
            "device": "rowan-6",
            "title": title,
            "level_kind": "spl",
            "drive": 2.83,
            "distance": 1.0,
            "valid_low": 35.0,
            "valid_high": 20_000.0,
        },
    )


def _mean(levels: list[Floats], weights: Floats | None = None) -> Floats:
    return 10 * np.log10(np.average(10 ** (np.stack(levels) / 10), axis=0, weights=weights))


def curves(measured: xr.Dataset) -> xr.Dataset:
    """A plausible curve set of the model: what it is called is right, which angles it takes is simplified."""
    level = measured["level"]

    def orbit(plane: str, *angles: float) -> list[Floats]:
        return [level.sel(plane=plane, angle=angle).values for angle in angles]

    around = [float(angle) for angle in measured["angle"].values]
    weights = np.abs(np.sin(np.deg2rad(np.where(np.isin(around, [0, 180]), 2.5, around))))
    both = np.r_[weights, weights]
    made = {
        "on_axis": orbit("horizontal", 0)[0],
        "listening_window": _mean(orbit("horizontal", 0, 10, -10, 20, -20, 30, -30) + orbit("vertical", 10, -10)),
        "floor_bounce": _mean(orbit("vertical", -20, -30, -40)),
        "ceiling_bounce": _mean(orbit("vertical", 40, 50, 60)),
        "front_wall_bounce": _mean(orbit("horizontal", 0, 10, -10, 20, -20, 30, -30)),
        "side_wall_bounce": _mean(orbit("horizontal", *(s * a for a in (40, 50, 60, 70, 80) for s in (1, -1)))),
        "rear_wall_bounce": _mean(orbit("horizontal", *(a for a in around if abs(a) >= 90))),
        "sound_power": _mean(orbit("horizontal", *around) + orbit("vertical", *around), both),
        "sound_power_horizontal": _mean(orbit("horizontal", *around), weights),
        "sound_power_vertical": _mean(orbit("vertical", *around), weights),
    }
    made["early_reflections"] = _mean(
        [made[f"{b}_bounce"] for b in ("floor", "ceiling", "front_wall", "side_wall", "rear_wall")]
    )
    made["early_reflections_horizontal"] = _mean(
        [made[f"{b}_bounce"] for b in ("front_wall", "side_wall", "rear_wall")]
    )
    made["early_reflections_vertical"] = _mean([made[f"{b}_bounce"] for b in ("floor", "ceiling")])
    made["in_room"] = _mean(
        [made["listening_window"], made["early_reflections"], made["sound_power"]], np.array([0.12, 0.44, 0.44])
    )
    window = made["listening_window"]
    indices = {
        f"{kind}_index{plane}": window - made[f"{kind}{plane}"]
        for kind in ("early_reflections", "sound_power")
        for plane in ("", "_horizontal", "_vertical")
    }
    return xr.Dataset(
        {
            "level": (("curve", "frequency"), np.stack(list(made.values()))),
            "directivity_index": (("index", "frequency"), np.stack(list(indices.values()))),
        },
        coords={"curve": list(made), "index": list(indices), "frequency": measured["frequency"].values},
        attrs=measured.attrs
        | {"smoothing": "1/24 octave", "gaps": json.dumps({"sphere_power": "needs a full sphere"})},
    )


def comparison(sets: list[xr.Dataset]) -> xr.Dataset:
    """Curve sets side by side."""
    joined = xr.concat(sets, dim="device", combine_attrs="drop").assign_coords(
        device=[f"device-{n}" for n in range(len(sets))], title=("device", [s.attrs["title"] for s in sets])
    )
    not_stated = "device", np.full(len(sets), np.nan)
    joined = joined.assign(valid_low=not_stated, valid_high=not_stated)
    return joined.assign_attrs(level_kind="spl", notes="", gaps="{}")
