"""Standard uncertainties of the level in each direction, from stated components and from repeated takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.directivity.orbits import distinct_directions
from anechain.acoustics.uncertainty.components import angle_slope, distance_component, setting_angle_uncertainty
from anechain.arrays import Floats
from anechain.campaign.stated_uncertainty import standard_uncertainty, statement
from anechain.data.uncertainty_budget import (
    NOT_REPEATED,
    Component,
    quantiles_of_all,
    range_over_frequency,
    unknown_components,
)

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["LevelUncertainty", "level_uncertainty"]

_STATED_IN_DECIBELS = ("calibration", "microphone", "gain_and_drive")


@dataclass(frozen=True)
class LevelUncertainty:
    """Standard uncertainties of the level in each direction.

    Attributes
    ----------
    common : numpy.ndarray, shape (n,)
        dB; errors that are the same in all directions.
    microphone : numpy.ndarray, shape (n,)
        dB; the component of `common` due to the microphone's response, whose error varies with frequency.
    repeatability : numpy.ndarray, shape (plane, angle, n)
        dB; errors of each capture, from the spread of takes. NaN for directions that were not measured.
    angle_error : numpy.ndarray, shape (plane, angle, n)
        dB; change of the level if the angle is off by its standard uncertainty, with its sign: one error at all
        frequencies. NaN for directions that were not measured.
    budget : tuple of Component
        The components, also those that are not known.
    """

    common: Floats
    microphone: Floats
    repeatability: Floats
    angle_error: Floats
    budget: tuple[Component, ...]

    @property
    def uncorrelated(self) -> Floats:
        """Errors that are independent between directions, in dB: repeatability and angle combined."""
        return np.asarray(np.hypot(self.repeatability, self.angle_error))

    @property
    def budget_lines(self) -> list[str]:
        """The components that are included, one line each."""
        return [component.text for component in self.budget if component.text]


def level_uncertainty(
    responses: xr.Dataset, uncertainty: Mapping[str, Any], notes: list[str]
) -> LevelUncertainty | None:
    """Return the uncertainties of all directions, or None if nothing is stated and no take was repeated.

    Parameters
    ----------
    responses : xarray.Dataset
        Dataset of the contract `responses`; its `level_std` and `takes` are used if takes were repeated.
    uncertainty : mapping
        The campaign's section `uncertainty` as plain values.
    notes : list of str
        Stated components that cannot be used are added to it, with the reason.
    """
    frequency = np.asarray(responses["frequency"].values)
    level = np.asarray(responses["level"].transpose("plane", "angle", "frequency").values)
    measured = np.asarray(responses["measured"].transpose("plane", "angle").values) == 1
    mirrored = mirrored_directions(responses)
    if mirrored is not None:
        measured = measured | mirrored
    common = np.zeros(frequency.size)
    repeatability = np.where(measured[..., np.newaxis], np.zeros(level.shape), np.nan)
    angle_error = repeatability.copy()
    microphone = np.zeros(frequency.size)
    budget = {component.name: component for component in unknown_components()}
    for name in _STATED_IN_DECIBELS:
        if name in uncertainty:
            standard = standard_uncertainty(uncertainty[name], frequency)
            common = np.hypot(common, standard)
            microphone = standard if name == "microphone" else microphone
            budget[name] = Component(
                **statement(name, uncertainty),
                standard=range_over_frequency(standard),
                directions="alike",
                frequencies="response" if name == "microphone" else "one",
            )
    if "distance" in uncertainty:
        distance = responses.attrs.get("measured_distance", responses.attrs.get("distance"))
        if distance is None:
            reason = "the distance itself is not known"
            notes.append(f"uncertainty of the distance not used: {reason}")
            budget["distance"] = Component(**statement("distance", uncertainty), reason=reason)
        else:
            metres = standard_uncertainty(uncertainty["distance"], frequency)
            decibels = distance_component(float(distance), float(metres.max())).standard_db
            common = np.hypot(common, decibels)
            budget["distance"] = Component(
                **statement("distance", uncertainty), standard=(decibels, decibels, decibels), directions="alike"
            )
    if "angle" in uncertainty:
        degrees = float(standard_uncertainty(uncertainty["angle"], frequency).max())
        angle_error += _angle_error(np.asarray(responses["angle"].values), level, measured, degrees, notes)
        budget["angle"] = Component(
            **statement("angle", uncertainty), standard=quantiles_of_all(np.abs(angle_error)), directions="own"
        )
    spread, budget["repeatability"] = _repeatability(responses, uncertainty, frequency)
    if spread is not None:
        repeatability = np.hypot(repeatability, spread)
    if all(component.standard is None for component in budget.values()):
        return None
    return LevelUncertainty(common, microphone, repeatability, angle_error, tuple(budget.values()))


def mirrored_directions(responses: xr.Dataset) -> NDArray[np.bool_] | None:
    """Return which directions are mirrored by the declared symmetry, shape (plane, angle); None if there are none."""
    if "mirrored" not in responses:
        return None
    return np.asarray(responses["mirrored"].transpose("plane", "angle").values == 1)


def _angle_error(
    angles: Floats, level: Floats, measured: NDArray[np.bool_], degrees: float, notes: list[str]
) -> Floats:
    """Return the change of each measured level if its angle is off by `degrees`, with its sign; 0 elsewhere."""
    error = np.zeros(level.shape)
    for row in range(level.shape[0]):
        present = measured[row]
        if present.sum() >= 3:
            size = setting_angle_uncertainty(angles[present], level[row, present], degrees)
            error[row, present] = np.sign(angle_slope(angles[present], level[row, present])) * size
        else:
            notes.append("uncertainty of the angle not used in a plane of fewer than three directions")
    # A missing level has no slope, and no share in a mean.
    error = np.where(np.isfinite(error), error, 0.0)
    direction = distinct_directions(level, angles)
    for shared in np.flatnonzero(np.bincount(direction[direction >= 0]) > 1):
        # A direction that both orbits share can be off along either of them.
        entries = direction == shared
        error[entries] = np.sqrt((error[entries] ** 2).sum(axis=0))
    return error


def _repeatability(
    responses: xr.Dataset, uncertainty: Mapping[str, Any], frequency: Floats
) -> tuple[Floats | None, Component]:
    """Return the standard uncertainty of the mean of each direction's takes, and the component of the budget.

    A direction with a single take has the stated repeatability, or the pooled standard deviation of all directions.
    """
    stated = uncertainty.get("repeatability", {})
    single = standard_uncertainty(stated, frequency) if "value" in stated else None
    if "level_std" not in responses or not np.isfinite(responses["level_std"].values).any():
        if single is None:
            return None, Component("repeatability", reason=NOT_REPEATED)
        return single, Component(
            **statement("repeatability", uncertainty),
            standard=range_over_frequency(single),
            directions="own",
            frequencies="own",
        )
    spread = np.asarray(responses["level_std"].transpose("plane", "angle", "frequency").values)
    count = np.asarray(responses["takes"].transpose("plane", "angle").values) if "takes" in responses else None
    divisor = np.ones(spread.shape[:2]) if count is None else np.maximum(count, 1)
    repeated = np.isfinite(spread)
    # Pooled over all measured directions; NaN at a frequency where no direction was repeated.
    mirrored = mirrored_directions(responses)
    pooled_over = repeated if mirrored is None else repeated & ~mirrored[..., np.newaxis]
    squares, counts = np.where(pooled_over, spread**2, 0.0).sum(axis=(0, 1)), pooled_over.sum(axis=(0, 1))
    pooled = np.sqrt(np.divide(squares, counts, out=np.full(counts.shape, np.nan), where=counts > 0))
    of_single_take = pooled if single is None else single
    standard = np.asarray(np.where(repeated, spread / np.sqrt(divisor)[..., np.newaxis], of_single_take))
    measured_counts = np.array([]) if count is None else count[count > 0]
    return standard, Component(
        "repeatability",
        kind="takes",
        standard=quantiles_of_all(np.where(repeated, standard, np.nan)),
        of_one=quantiles_of_all(spread)[1],
        takes=(int(measured_counts.min()), int(measured_counts.max())) if measured_counts.size else (),
        directions="own",
        frequencies="own",
    )
