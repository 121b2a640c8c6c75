"""A dataset of each contract that is right in everything, of a first-order source whose levels are in closed form."""

import numpy as np
import xarray as xr

import physics
from anechain.contract import describe

FREQUENCY = np.array([100.0, 1000.0, 10_000.0])
OMNI_SHARE = np.array([1.0, 0.7, 0.6])
"""A of A + (1 - A) cos at each frequency: all-round at low frequencies, no null anywhere."""

ABOUT = {
    "device": "alder",
    "title": "Alder 5",
    "level_kind": "spl",
    "importer": "rings",
    "importer_version": "1",
    "import_report": "",
    "distance": 1.0,
    "drive": 2.83,
}


def levels(angles) -> np.ndarray:
    """dB, shape (angles, frequencies), 84 dB on the axis."""
    return 84 + np.stack([physics.level(physics.first_order(a)(angles)) for a in OMNI_SHARE], axis=-1)


def responses(angles=None, planes=("horizontal", "vertical")) -> xr.Dataset:
    angles = physics.orbit_angles() if angles is None else np.asarray(angles, float)
    dims = ("plane", "angle", "frequency")
    level = np.stack([levels(angles)] * len(planes))
    dataset = xr.Dataset(
        {
            "level": (dims, level),
            # A source at the centre of the orbits, heard at 1 m: the phase is that of the distance, everywhere.
            "phase": (dims, np.broadcast_to(180 - (180 + 360 * FREQUENCY / 343.2) % 360, level.shape).copy()),
            "arrival": (dims[:2], np.full(level.shape[:2], 1 / 343.2)),
            "level_std": (dims, np.full(level.shape, 0.1)),
            "takes": (dims[:2], np.full(level.shape[:2], 3, np.int32)),
            "measured": (dims[:2], np.ones(level.shape[:2], np.int8)),
        },
        coords={"plane": list(planes), "angle": angles, "frequency": FREQUENCY},
        attrs=ABOUT | {"datasets": "none", "valid_low": 80.0, "valid_high": 16_000.0, "temperature": 21.5},
    )
    return describe(dataset, "responses")


def sphere(rings: int = 8) -> xr.Dataset:
    """Gauss-Legendre rings in elevation: their weights are exact shares of the sphere."""
    height, weight = np.polynomial.legendre.leggauss(rings)
    azimuth = 180.0 - np.arange(2 * rings) * 180.0 / rings
    elevation = np.repeat(np.rad2deg(np.arcsin(height)), azimuth.size)
    azimuth = np.tile(azimuth, rings)
    off_axis = np.rad2deg(np.arccos(np.cos(np.deg2rad(azimuth)) * np.cos(np.deg2rad(elevation))))
    dataset = xr.Dataset(
        {
            "level": (("direction", "frequency"), levels(off_axis)),
            "weight": ("direction", np.repeat(weight / 2, 2 * rings) / (2 * rings)),
        },
        coords={
            "azimuth": ("direction", azimuth),
            "elevation": ("direction", elevation),
            "frequency": FREQUENCY,
        },
        attrs=ABOUT,
    )
    return describe(dataset, "sphere")


def harmonics() -> xr.Dataset:
    """Weak quadratic and cubic terms: by half the drive order n falls by n times 6 dB."""
    below = np.array([0.0, 30.0, 40.0])
    level = 84 - np.stack([below + 6.02 * np.array([1, 2, 3]), below])
    shape = (2, 3, FREQUENCY.size)
    values = np.broadcast_to(level[..., None], shape).copy()
    dataset = xr.Dataset(
        {
            "level": (("drive", "order", "frequency"), values),
            "noise": (("drive", "order", "frequency"), np.full(shape, 10.0)),
            "level_std": (("drive", "order", "frequency"), np.full(shape, 0.1)),
            "takes": ("drive", np.full(2, 3, np.int32)),
        },
        coords={"drive": [1.415, 2.83], "order": [1, 2, 3], "frequency": FREQUENCY},
        attrs={name: value for name, value in ABOUT.items() if name != "drive"},
    )
    return describe(dataset, "harmonics")


def takes() -> xr.Dataset:
    """Up and back again: the last take has cooled down for four minutes; 6.02 dB for twice the drive."""
    level = 84 + 6.02 * np.array([[-1.0], [0.0], [-1.0]]) + np.zeros(FREQUENCY.size)
    dataset = xr.Dataset(
        {
            "level": (("take", "frequency"), level),
            "drive": ("take", np.array([1.415, 2.83, 1.415])),
            "started": ("take", np.array([0.0, 20.0, 260.0])),
            "recording": ("take", np.array(["a.wav", "b.wav", "c.wav"], dtype=object)),
        },
        coords={"take": [1, 2, 3], "frequency": FREQUENCY},
        attrs={name: value for name, value in ABOUT.items() if name != "drive"},
    )
    return describe(dataset, "takes")


def curves() -> xr.Dataset:
    # Mean squared pressure of A + B cos over the sphere: A^2 + B^2 / 3.
    power = 84 + 10 * np.log10(OMNI_SHARE**2 + (1 - OMNI_SHARE) ** 2 / 3)
    axis = np.full(FREQUENCY.size, 84.0)
    dataset = xr.Dataset(
        {
            "level": (("curve", "frequency"), np.stack([axis, power])),
            "directivity_index": (("index", "frequency"), (axis - power)[None]),
            # 0.3 dB of a calibration, which cancels in an index, and 0.1 dB of each of two independent levels.
            "uncertainty_common": (("curve", "frequency"), np.full((2, FREQUENCY.size), 0.3)),
            "uncertainty_independent": (("curve", "frequency"), np.full((2, FREQUENCY.size), 0.1)),
            "uncertainty_microphone": ("frequency", np.full(FREQUENCY.size, 0.2)),
            "index_uncertainty_common": (("index", "frequency"), np.zeros((1, FREQUENCY.size))),
            "index_uncertainty_independent": (("index", "frequency"), np.full((1, FREQUENCY.size), 0.1 * np.sqrt(2))),
            "curve_method": ("curve", np.array(["on-axis@1", "sphere-mean-level@1"], dtype=object)),
            "index_method": ("index", np.array(["sphere-mean-level@1"], dtype=object)),
        },
        coords={"curve": ["on_axis", "sphere_power"], "index": ["sphere_index"], "frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind", "distance", "drive")}
        | {"gaps": "{}", "smoothing": "none", "notes": ""},
    )
    return describe(dataset, "curves")


def comparison() -> xr.Dataset:
    one = curves()
    dataset = xr.Dataset(
        {
            "level": (("device", "curve", "frequency"), np.stack([one["level"].values] * 2)),
            "directivity_index": (
                ("device", "index", "frequency"),
                np.stack([one["directivity_index"].values] * 2),
            ),
        },
        coords={
            "device": ["alder", "birch"],
            "title": ("device", ["Alder 5", "Birch 8"]),
            **{name: one[name].values for name in ("curve", "index", "frequency")},
        },
        attrs={name: one.attrs[name] for name in ("level_kind", "distance", "drive", "smoothing", "notes")},
    )
    return describe(dataset, "comparison")


VALID = {
    "responses": responses,
    "sphere": sphere,
    "harmonics": harmonics,
    "takes": takes,
    "curves": curves,
    "comparison": comparison,
}


def with_values(dataset: xr.Dataset, name: str, values) -> xr.Dataset:
    """The dataset with other values (of another type, too) in one variable or coordinate, its attributes kept."""
    old = dataset[name]
    replaced = xr.Variable(old.dims, values, old.attrs)
    return dataset.assign_coords({name: replaced}) if name in dataset.coords else dataset.assign({name: replaced})


def with_one(dataset: xr.Dataset, name: str, value, at=0) -> xr.Dataset:
    """The dataset with one value of one variable or coordinate changed."""
    values = dataset[name].values.copy()
    values.flat[at] = value
    return with_values(dataset, name, values)
