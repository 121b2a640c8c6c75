"""Rules between fields that a data contract names: each checks a dataset and yields its problems."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from anechain.errors import Problem
from anechain.registry.sources import COMPANIONS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["POLE_TOLERANCE", "RULES"]

POLE_TOLERANCE = 1.0
"""Largest r.m.s. difference between the two levels of a pole, dB; common practice, no source."""

Rule = Callable[["xr.Dataset", str], Iterator[Problem]]


def _rises(dataset: xr.Dataset, name: str, unit: str, where: str) -> Iterator[Problem]:
    values = np.asarray(dataset[name].values, dtype=np.float64)
    if not values.size:
        yield Problem(where, f"{name} has no value", "at least one", "check that the raw files hold data")
    not_rising = np.flatnonzero(~(np.diff(values) > 0))
    if not_rising.size:
        at = int(not_rising[0])
        yield Problem(
            where,
            f"{name} {at + 2} is {values[at + 1]:g}{unit} after {values[at]:g}{unit}",
            f"{name} strictly rising",
            "sort the rows of the raw file and remove repeated ones",
        )


def frequency_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Frequencies rise strictly."""
    yield from _rises(dataset, "frequency", " Hz", where)


def time_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Times rise strictly."""
    yield from _rises(dataset, "time", " s", where)


def drive_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Drives rise strictly, so that none is repeated."""
    yield from _rises(dataset, "drive", " V", where)


def level_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Requested levels rise strictly, so that none is repeated."""
    yield from _rises(dataset, "level", " dB", where)


def tone_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Tones rise strictly, so that none is repeated."""
    yield from _rises(dataset, "tone", " Hz", where)


def order_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Harmonic orders rise strictly, so that none is repeated."""
    yield from _rises(dataset, "order", "", where)


def angle_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Angles rise strictly, so that no direction is repeated."""
    yield from _rises(dataset, "angle", "°", where)


def takes_numbered(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Takes are numbered 1, 2, 3 in the order they were measured."""
    number = np.asarray(dataset["take"].values)
    if not number.size or not np.array_equal(number, np.arange(1, number.size + 1)):
        yield Problem(where, f"take is {number.tolist()}", "1, 2, 3, ... in measuring order", "correct the importer")


def take_times_rise(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Known starting times of takes do not fall."""
    started = np.asarray(dataset["started"].values, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(started))
    back = np.flatnonzero(np.diff(started[known]) < 0)
    if back.size:
        earlier, later = (int(known[int(back[0]) + step]) for step in (0, 1))
        yield Problem(
            where,
            f"take {later + 1} was started at {started[later]:g} s, after take {earlier + 1} at {started[earlier]:g} s",
            "starting times in measuring order",
            "correct order or times in the manifest",
        )


def each_direction_once(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """No plane and no angle is repeated."""
    for name in ("plane", "angle"):
        values, counts = np.unique(dataset[name].values, return_counts=True)
        for value in values[counts > 1]:
            yield Problem(where, f"{name} {value} occurs twice", "each direction once", "remove one of the two")


def datasets_known(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """The other datasets that are named are known ones."""
    named = dataset.attrs.get("datasets")
    if isinstance(named, str) and named != "none" and not set(named.split()) <= set(COMPANIONS):
        allowed = f"none, or some of {', '.join(COMPANIONS)}"
        yield Problem(where, f"attribute datasets is {named!r}", allowed, "make the file again with `anechain run`")


def any_direction_measured(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """At least one direction was measured."""
    if not np.asarray(dataset["measured"].values).any():
        yield Problem(where, "no direction was measured", "at least one", "check the files named in the campaign")


def poles_agree(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """0 and 180 degrees, the same directions on both orbits, have the same level within POLE_TOLERANCE."""
    if dataset.sizes["plane"] < 2:
        return
    angles = np.asarray(dataset["angle"].values)
    level = np.asarray(dataset["level"].transpose("plane", "angle", "frequency").values)
    for pole in (0.0, 180.0):
        at = np.flatnonzero(angles == pole)
        if not at.size:
            continue
        first, second = level[0, at[0]], level[1, at[0]]
        both = np.isfinite(first) & np.isfinite(second)
        # The lowest levels contain noise, so only the upper 40 dB of the pole are compared.
        if both.any():
            both &= first > np.nanmax(first[both]) - 40.0
        if not both.any():
            continue
        difference = first[both] - second[both]
        rms = float(np.sqrt(np.mean(difference**2)))
        if rms > POLE_TOLERANCE:
            worst = float(np.asarray(dataset["frequency"].values)[both][int(np.argmax(np.abs(difference)))])
            yield Problem(
                where,
                f"level at {pole:g}° differs between the planes by {rms:.2f} dB (r.m.s.), most at {worst:g} Hz",
                f"at most {POLE_TOLERANCE:g} dB, because it is the same direction",
                "check the labels of the files, and that both orbits were measured at the same point and drive",
            )


def missing_reported(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """Missing levels of a measured direction are reported in the import report."""
    measured = np.asarray(dataset["measured"].transpose("plane", "angle").values).astype(bool)
    level = np.asarray(dataset["level"].transpose("plane", "angle", "frequency").values)
    missing = np.isnan(level) & measured[..., None]
    report = str(dataset.attrs.get("import_report", "")).lower()
    if missing.any() and "missing" not in report:
        plane, angle, row = (int(axis[0]) for axis in np.nonzero(missing))
        yield Problem(
            where,
            f"level is missing at {dataset['plane'].values[plane]} {dataset['angle'].values[angle]:g}° "
            f"{dataset['frequency'].values[row]:g} Hz ({int(missing.sum())} values), but not in the import report",
            "every missing value reported in the import report",
            "correct the importer: report every gap with the word “missing”",
        )


def unmeasured_empty(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """A direction that was neither measured nor mirrored has no level."""
    measured = np.asarray(dataset["measured"].transpose("plane", "angle").values).astype(bool)
    if "mirrored" in dataset:
        mirrored = np.asarray(dataset["mirrored"].transpose("plane", "angle").values).astype(bool)
        if (both := measured & mirrored).any():
            plane, angle = (int(axis[0]) for axis in np.nonzero(both))
            yield Problem(
                where,
                f"{dataset['plane'].values[plane]} {dataset['angle'].values[angle]:g}° is measured and mirrored",
                "a direction that is either measured or mirrored",
                "correct the importer",
            )
        measured = measured | mirrored
    level = np.asarray(dataset["level"].transpose("plane", "angle", "frequency").values)
    unmeasured = np.isfinite(level).any(axis=-1) & ~measured
    if unmeasured.any():
        plane, angle = (int(axis[0]) for axis in np.nonzero(unmeasured))
        yield Problem(
            where,
            f"{dataset['plane'].values[plane]} {dataset['angle'].values[angle]:g}° has a level but was not measured",
            "no level for directions that were not measured",
            "correct the importer",
        )


def absolute_has_setup(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """A sound pressure level has a distance and a drive that it refers to."""
    if dataset.attrs.get("level_kind") == "spl":
        for name, unit in (("distance", "m"), ("drive", "V")):
            if name not in dataset.attrs:
                yield Problem(
                    where,
                    f"level_kind is spl, but {name} is not known",
                    f"{name} in {unit}",
                    f"state setup.{name} in the campaign, or setup.level_kind: relative",
                )


def valid_band_rises(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """The valid band has its lower end below its upper end."""
    low, high = dataset.attrs.get("valid_low"), dataset.attrs.get("valid_high")
    if low is not None and high is not None and not low < high:
        yield Problem(where, f"valid band {low:g} to {high:g} Hz", "a rising band", "correct setup.valid_band")


def weights_sum(dataset: xr.Dataset, where: str) -> Iterator[Problem]:
    """The shares of the sphere add up to 1."""
    total = float(np.asarray(dataset["weight"].values).sum())
    if abs(total - 1.0) > 1e-9:
        yield Problem(where, f"weights add up to {total:.12g}", "1", "correct the importer")


RULES: dict[str, Rule] = {
    "datasets are known": datasets_known,
    "frequency rises strictly": frequency_rises,
    "time rises strictly": time_rises,
    "angle rises strictly": angle_rises,
    "drive rises strictly": drive_rises,
    "order rises strictly": order_rises,
    "level rises strictly": level_rises,
    "tone rises strictly": tone_rises,
    "takes count from one": takes_numbered,
    "takes do not go back in time": take_times_rise,
    "each direction once": each_direction_once,
    "a direction was measured": any_direction_measured,
    "poles agree between planes": poles_agree,
    "missing values are reported": missing_reported,
    "unmeasured directions are empty": unmeasured_empty,
    "absolute level has distance and drive": absolute_has_setup,
    "valid band rises": valid_band_rises,
    "weights sum to one": weights_sum,
}
