"""Numbers of the vertical listening window: heights within which the response stays close to that on the axis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from anechain.acoustics.directivity.listening_height import ListeningHeight, listening_height
from anechain.arrays import Floats
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import monte_carlo_of_orbits
from anechain.figure_of_merit.labels import band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Vertical listening window"
USES = ("listening-height", "orbit-interpolation")


def _window(inputs: MetricInputs, frequency: Floats, level: Floats) -> ListeningHeight:
    chosen = inputs.options.listening_height
    return listening_height(
        frequency, inputs.orbits.angles, level, chosen.distance, chosen.tolerance, chosen.band, chosen.measure
    )


def _uncertainties(inputs: MetricInputs) -> Mapping[str, Uncertainty]:
    if inputs.errors.directions is None or inputs.orbits.in_plane("vertical") is None:
        return {}
    row = inputs.orbits.planes.index("vertical")

    def heights(frequency: Floats, level: Floats) -> dict[str, float | None]:
        window = _window(inputs, frequency, level[row])
        return {"up": window.up_m, "down": window.down_m}

    return monte_carlo_of_orbits(inputs.errors, inputs.orbits.level, heights)


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the height above and below the reference axis."""
    chosen = inputs.options.listening_height
    level = inputs.orbits.in_plane("vertical")
    window = None if level is None else _window(inputs, inputs.frequency, level)
    uncertainties = _uncertainties(inputs)
    conditions = (
        f"{chosen.measure} deviation from the axis within {chosen.tolerance:g} dB, {band_label(chosen.band)}, "
        f"at {chosen.distance:g} m"
    )
    for side, title in (("up", "Above the reference axis"), ("down", "Below the reference axis")):
        height = None if window is None else getattr(window, f"{side}_m")
        angle = None if window is None else getattr(window, f"{side}_deg")
        reason = "needs the vertical orbit"
        if window is not None:
            of_side = [part for part in window.reason.split("; ") if part.startswith(f"{side}: ")]
            reason = "; ".join(of_side) or window.reason
        yield make_number(
            inputs,
            "listening-height",
            f"listening_height.{side}",
            HEADING,
            title,
            height,
            "m",
            uncertainty=uncertainties.get(side),
            note=conditions if angle is None else f"{conditions}; {angle:.1f}°",
            reason="" if height is not None else reason,
        )
