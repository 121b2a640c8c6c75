"""A dataset of each contract that is right in everything, of a first-order source whose levels are in closed form."""

import numpy as np
import xarray as xr

import physics
from anechain.data.contract import describe

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
_IMPORT = ("importer", "importer_version", "import_report")


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
            "mirrored": (dims[:2], np.zeros(level.shape[:2], np.int8)),
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
            "phase": (("drive", "order", "frequency"), np.full(shape, 30.0)),
            "stretches": (("drive", "order"), np.full((2, 3), 8, np.int32)),
            "lowest": ("order", np.array([20.0, 40.0, 60.0])),
            "highest": ("order", np.array([20000.0, 10000.0, 6700.0])),
        },
        coords={"drive": [1.415, 2.83], "order": [1, 2, 3], "frequency": FREQUENCY},
        attrs={name: value for name, value in ABOUT.items() if name != "drive"} | {"band_reasons": ""},
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
            "valid_low": ("device", np.array([40.0, 50.0])),
            "valid_high": ("device", np.array([20_000.0, 16_000.0])),
        },
        coords={
            "device": ["alder", "birch"],
            "title": ("device", ["Alder 5", "Birch 8"]),
            **{name: one[name].values for name in ("curve", "index", "frequency")},
        },
        attrs={name: one.attrs[name] for name in ("level_kind", "distance", "drive", "smoothing", "notes")}
        | {"gaps": '{"birch": {"in_room": "needs the vertical orbit"}}'},
    )
    return describe(dataset, "comparison")


def impedance() -> xr.Dataset:
    """A resistance and an inductance in series: R + jωL."""
    terminals = 6.0 + 2j * np.pi * FREQUENCY * 0.5e-3
    dataset = xr.Dataset(
        {
            "magnitude": ("frequency", np.abs(terminals)),
            "phase": ("frequency", np.angle(terminals, deg=True)),
            "magnitude_std": ("frequency", 0.01 * np.abs(terminals)),
            "phase_std": ("frequency", np.full(FREQUENCY.size, 0.3)),
            "takes": ("frequency", np.full(FREQUENCY.size, 3)),
        },
        coords={"frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title", *_IMPORT, "drive")},
    )
    return describe(dataset, "impedance")


def impedance_uncertainty() -> xr.Dataset:
    """One per cent and half a degree that are stated, and the spread of three takes."""
    one = impedance()
    dataset = xr.Dataset(
        {
            "magnitude_common": ("frequency", 0.01 * one["magnitude"].values),
            "magnitude_own": ("frequency", one["magnitude_std"].values / np.sqrt(3)),
            "phase_common": ("frequency", np.full(FREQUENCY.size, 0.5)),
            "phase_own": ("frequency", one["phase_std"].values / np.sqrt(3)),
        },
        coords={"frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title")}
        | {"coverage_factor": 2.0, "uncertainty": "modulus: standard uncertainty 1 %, from standard"},
    )
    return describe(dataset, "impedance_uncertainty")


def multitone() -> xr.Dataset:
    """Three tones of equal level, a band around each; what lies between them rises by 12 dB for 6 dB of drive."""
    shape = (2, FREQUENCY.size)
    tones = 84 + 6.02 * np.array([[-1.0], [0.0]]) + np.zeros(shape)
    between = 44 + 12.04 * np.array([[-1.0], [0.0]]) + np.zeros(shape)
    dims, together = ("drive", "frequency"), 10 * np.log10(3)
    dataset = xr.Dataset(
        {
            "tones": (dims, tones),
            "between": (dims, between),
            "noise": (dims, np.full(shape, 10.0)),
            "free": (dims, np.full(shape, 0.9)),
            "tone_level": (("drive", "tone"), tones),
            "level": ("drive", tones[:, 0] + together),
            "ratio": ("drive", between[:, 0] - tones[:, 0]),
        },
        coords={"drive": [1.415, 2.83], "tone": FREQUENCY, "frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind", *_IMPORT, "distance")},
    )
    return describe(dataset, "multitone")


def distortion() -> xr.Dataset:
    """Orders 2 and 3 of :func:`harmonics` halfway, in dB, between its two takes, so that both are in it."""
    harmonic = np.array([-36.0, -49.0])[:, None] + np.zeros(FREQUENCY.size)
    second, third = 10 ** (harmonic / 10)
    summed = np.stack([second + third, (second + third) / (1 + second + third), second + third, third, second + third])
    every, sums, orders = (("level", *rest, "frequency") for rest in ((), ("sum",), ("order",)))
    dataset = xr.Dataset(
        {
            "harmonic": (orders, harmonic[None]),
            "harmonic_limit": (orders, np.zeros((1, 2, FREQUENCY.size), np.int8)),
            "noise": (orders, np.full((1, 2, FREQUENCY.size), -74.0)),
            "fundamental": (every, np.full((1, FREQUENCY.size), 81.0)),
            "decibels": (sums, 10 * np.log10(summed)[None]),
            "percent": (sums, 100 * np.sqrt(summed)[None]),
            "percent_least": (sums, 100 * np.sqrt(summed)[None]),
            "sum_limit": (sums, np.zeros((1, 5, FREQUENCY.size), np.int8)),
            "highest_order": (every, np.full((1, FREQUENCY.size), 3)),
            "reached": ("level", [81.0]),
            "first_drive": ("level", [1.415]),
            "second_drive": ("level", [2.83]),
            "take_level": ("drive", [78.0, 84.0]),
            "lowest": ("order", [40.0, 60.0]),
            "highest": ("order", [10000.0, 6700.0]),
        },
        coords={
            "level": [81.0],
            "order": [2, 3],
            "sum": ["thd_f", "thd_r", "second_third", "fourth_up", "orders_plus_noise"],
            "drive": [1.415, 2.83],
            "frequency": FREQUENCY,
        },
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind", "distance")}
        | {"band_low": 200.0, "band_high": 5000.0, "false_alarm_rate": 0.001, "gaps": "{}", "peaks": "[]", "notes": ""},
    )
    return describe(dataset, "distortion")


def distortion_comparison() -> xr.Dataset:
    percent = distortion()["percent"].sel(sum="thd_f").values[:, None].repeat(2, axis=1)
    dims = ("level", "device", "frequency")
    dataset = xr.Dataset(
        {
            "percent": (dims, percent),
            "percent_least": (dims, percent),
            "limit": (dims, np.zeros(percent.shape, np.int8)),
            "highest_order": (("level", "frequency"), np.full((1, FREQUENCY.size), 3)),
        },
        coords={
            "device": ["alder", "birch"],
            "title": ("device", ["Alder 5", "Birch 8"]),
            "level": [81.0],
            "frequency": FREQUENCY,
        },
        attrs={"refused": "{}", "notes": "{}", "band_low": 200.0, "band_high": 5000.0},
    )
    return describe(dataset, "distortion-comparison")


def compression() -> xr.Dataset:
    """Alike at all frequencies: 1.5 dB less than the drive at its double, 4 dB less at four times it."""
    drive, limits, centres = np.array([2.83, 5.66, 11.32]), [-0.5, -1.0, -3.0], [125.0, 1000.0]
    delta = np.array([0.0, -1.5, -4.0])
    level = 84 + 20 * np.log10(drive / 2.83) + delta
    rows, of_drive = np.zeros(FREQUENCY.size), ("drive", "frequency")
    passed = np.interp(-np.array(limits), -delta, np.log(drive))
    dataset = xr.Dataset(
        {
            "level": (of_drive, level[:, None] + rows),
            "delta": (of_drive, delta[:, None] + rows),
            "uncertainty": (of_drive, np.full((3, FREQUENCY.size), 0.1)),
            "reason": (of_drive, np.zeros((3, FREQUENCY.size), np.int8)),
            "resolution": ("drive", np.full(3, 0.01)),
            "level_change": ("drive", delta),
            "shape_change": (of_drive, np.zeros((3, FREQUENCY.size))),
            "shape_rms": ("drive", np.zeros(3)),
            # 10^(-delta / 20) times the resistance, 0.39 % for each kelvin.
            "coil_rise": ("drive", (10 ** (-delta / 20) - 1) / 0.0039),
            "octave_level": (("drive", "octave"), level[:, None] + np.zeros(2)),
            "octave_delta": (("drive", "octave"), delta[:, None] + np.zeros(2)),
            "limit_drive": (("limit", "octave"), np.exp(passed)[:, None] + np.zeros(2)),
            "limit_level": (("limit", "octave"), np.interp(passed, np.log(drive), level)[:, None] + np.zeros(2)),
            "limit_reason": (("limit", "octave"), np.full((3, 2), "", dtype=object)),
            "highest_level": ("octave", np.full(2, level[-1])),
            "distortion_limit": ("frequency", np.array([10.0, 3.0, 3.0])),
            "usable_level": ("drive", level),
            "lowest_usable": ("drive", np.array([100.0, 120.0, 200.0])),
            "ruled_by": ("drive", np.array(["data end", "distortion", "compression"], dtype=object)),
            "judged_to": ("drive", np.full(3, 10_000.0)),
            "held_level": ("drive", level),
            "listening_level": ("drive", level - 20 * np.log10(3.0)),
            "take_over": ("drive", np.array([100.0, 120.0, 200.0]) * np.sqrt(2)),
            "drift": ("frequency", np.full(FREQUENCY.size, -0.2)),
            "drift_removed": ("drive", np.array([0.0, -0.1, -0.2])),
            "drift_uncertainty": ("drive", np.array([0.0, 0.02, 0.03])),
            "return_share": ("drive", np.array([0.0, 0.4, 0.8])),
        },
        coords={"drive": drive, "frequency": FREQUENCY, "octave": centres, "limit": limits},
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind", "distance")}
        | {"made_of": "harmonics", "smoothing": "none", "band_low": 200.0, "band_high": 5000.0}
        | {"max_uncertainty": 1.0, "compression_limit": -3.0}
        | {
            "conditions": "usable: total harmonic distortion up to 3 %\nlevel: from 200 Hz to 5 kHz",
            "passed": "[]",
            "takes": "{}",
            "gaps": "{}",
            "notes": "",
        },
    )
    return describe(dataset, "compression")


def directivity() -> xr.Dataset:
    """Where A + (1 - A) cos has fallen by 6 dB, at shares that all fall that far."""
    share = np.array([0.7, 0.6, 0.5])
    ends = np.rad2deg(np.arccos((10 ** (-6 / 20) - share) / (1 - share)))
    power = 84 + 10 * np.log10(share**2 + (1 - share) ** 2 / 3)
    dims, shape = ("plane", "side", "frequency"), (2, 2, FREQUENCY.size)
    dataset = xr.Dataset(
        {
            "first": (dims, np.broadcast_to(ends, shape).copy()),
            "first_low": (dims, np.broadcast_to(ends - 0.8, shape).copy()),
            "first_high": (dims, np.broadcast_to(ends + 0.8, shape).copy()),
            "outermost": (dims, np.broadcast_to(ends, shape).copy()),
            "state": (dims, np.zeros(shape, np.int8)),
            "sphere_power": ("frequency", power),
            "sphere_index": ("frequency", 84 - power),
            "two_orbit_error": ("frequency", np.zeros(FREQUENCY.size)),
        },
        coords={"plane": ["horizontal", "vertical"], "side": ["positive", "negative"], "frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind")} | {"smoothing": "none", "drop": 6.0},
    )
    return describe(dataset, "directivity")


def aim() -> xr.Dataset:
    """A listener 30 degrees off the axis of a loudspeaker that looks straight ahead."""
    toe_in = np.array([0.0, 15.0, 30.0])
    dataset = xr.Dataset(
        {"level": (("toe_in", "frequency"), levels(30.0 - toe_in))},
        coords={"toe_in": toe_in, "off_axis": ("toe_in", 30.0 - toe_in), "frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind", "distance", "drive")}
        | {"smoothing": "none", "listener": 30.0, "best_toe_in": 15.0},
    )
    return describe(dataset, "aim")


def trends() -> xr.Dataset:
    """Lines and targets flat at 84 dB, those given a decibel lower and moved up."""
    flat, power = np.full(FREQUENCY.size, 84.0), 84 + 10 * np.log10(OMNI_SHARE**2 + (1 - OMNI_SHARE) ** 2 / 3)
    level, line = np.stack([flat, power]), np.stack([flat, flat])
    dims = ("curve", "frequency")
    dataset = xr.Dataset(
        {
            "level": (dims, level),
            "line": (dims, line),
            "line_deviation": (dims, level - line),
            "target": (dims, line),
            "target_deviation": (dims, level - line),
            "own_line": (dims, line - 1.0),
            "own_line_deviation": (dims, level - line + 1.0),
            "target_shift": ("curve", np.ones(2)),
        },
        coords={"curve": np.array(["on_axis", "sound_power"], dtype=object), "frequency": FREQUENCY},
        attrs={name: ABOUT[name] for name in ("device", "title", "level_kind", "distance", "drive")}
        | {"smoothing": "none", "band_low": 100.0, "band_high": 10_000.0, "valid_low": 80.0, "valid_high": 16_000.0}
        | {"own_reasons": '{"sound_power": "a hall without a ceiling"}'},
    )
    return describe(dataset, "trends")


def timing() -> xr.Dataset:
    """A delay of 1 m and nothing else: an impulse, a step, no phase; a burst decays as the burst itself."""
    time = np.linspace(-0.0005, 0.005, 12)
    drops = np.array([10.0, 20.0, 30.0])
    # Half power a sixth of an octave from the centre: a Gaussian of this relative width.
    width = (2 ** (1 / 6) - 2 ** (-1 / 6)) / (2 * np.sqrt(np.log(2)))
    decay = np.sqrt(drops * np.log(10) / 10) / (2 * np.pi * width)
    zero = np.zeros(FREQUENCY.size)
    dataset = xr.Dataset(
        {
            "impulse": ("time", (np.abs(time) < 1e-9).astype(float)),
            "step": ("time", (time > -1e-9).astype(float)),
            "minimum_phase": ("frequency", zero),
            "excess_phase": ("frequency", zero),
            "group_delay": ("frequency", zero),
            "excess_group_delay": ("frequency", zero),
            "excess_group_delay_uncertainty": ("frequency", np.full(FREQUENCY.size, 1e-5)),
            "decay": (("drop", "frequency"), np.repeat(decay[:, None], FREQUENCY.size, axis=1)),
            "decay_known": ("frequency", np.full(FREQUENCY.size, 30.0)),
        },
        coords={"time": time, "frequency": FREQUENCY, "drop": drops},
        attrs={name: ABOUT[name] for name in ("device", "title")}
        | {"delay": 1 / 343.2, "coverage_factor": 2.0, "valid_low": 80.0, "valid_high": 16_000.0},
    )
    return describe(dataset, "timing")


def axis() -> xr.Dataset:
    """On the axis of :func:`responses`, with the delay removed."""
    dataset = xr.Dataset(
        {"level": ("frequency", np.full(FREQUENCY.size, 84.0)), "phase": ("frequency", np.zeros(FREQUENCY.size))},
        coords={"frequency": FREQUENCY},
        attrs=ABOUT | {"valid_low": 80.0, "valid_high": 16_000.0},
    )
    return describe(dataset, "axis")


VALID = {
    "responses": responses,
    "sphere": sphere,
    "harmonics": harmonics,
    "impedance": impedance,
    "impedance_uncertainty": impedance_uncertainty,
    "takes": takes,
    "multitone": multitone,
    "curves": curves,
    "directivity": directivity,
    "aim": aim,
    "trends": trends,
    "timing": timing,
    "axis": axis,
    "distortion": distortion,
    "compression": compression,
    "comparison": comparison,
    "distortion-comparison": distortion_comparison,
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
