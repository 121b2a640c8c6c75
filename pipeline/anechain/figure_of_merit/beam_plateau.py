"""What limits a coverage angle besides errors of levels: plateaus near the drop, and the steps between the angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.acoustics.directivity.beam_width import BeamWidth
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.plane_beams import coverage_of_plane, edges_of_plane, measured_angles, width_of_plane

__all__ = ["Plateau", "interpolation_note", "plateau_note", "plateau_of_plane", "with_interval"]

PLATEAU_DB = 0.5
"""Half of the range of levels about the drop within which a level that changes by less than a step is a plateau.
Common practice, no source."""
MAX_PLATEAU_SHARE = 0.1
"""Share of the frequencies with a plateau above which a coverage has an interval instead of an uncertainty. Common
practice, no source."""


def _step_at(angles: Floats, edge: Floats) -> Floats:
    """Return the step between the measured angles around each edge, degrees."""
    ascending = np.unique(np.abs(angles))
    place = np.clip(np.searchsorted(ascending, np.nan_to_num(edge)), 1, ascending.size - 1)
    return np.asarray(ascending[place] - ascending[place - 1])


@dataclass(frozen=True)
class Plateau:
    """Share of the frequencies of a band with a plateau, and the coverage with less and with more of drop, degrees."""

    share: float
    near: float | None
    far: float | None

    @property
    def ends(self) -> str:
        """The range of the coverage in print; empty if it is not known."""
        if self.near is None or self.far is None:
            return ""
        return f"{self.near:.0f}° to {self.far:.0f}° with {PLATEAU_DB:g} dB less or more of drop"


def plateau_of_plane(inputs: MetricInputs, plane: str, beam: BeamWidth, band: tuple[float, float]) -> Plateau:
    """Return where the level hardly changes with the angle near the drop."""
    level = inputs.orbits.level[inputs.orbits.planes.index(plane)]
    less = -min(PLATEAU_DB, inputs.options.beam.drop / 2)
    near, far = (width_of_plane(inputs, inputs.frequency, level, more) for more in (less, PLATEAU_DB))
    widths = edges_of_plane(inputs, plane, far) - edges_of_plane(inputs, plane, near)
    steps = _step_at(measured_angles(inputs, plane), edges_of_plane(inputs, plane, beam))
    inside = (beam.frequency_hz >= band[0]) & (beam.frequency_hz <= band[1])
    share = float(np.asarray(np.any(widths > steps, axis=0))[inside].mean()) if inside.any() else 0.0
    return Plateau(share, *(coverage_of_plane(inputs, plane, edge, band)[0].mean_deg for edge in (near, far)))


def plateau_note(plateau: Plateau) -> str:
    """Return a note on the plateaus; empty if there are none."""
    if not plateau.share > 0:
        return ""
    return (
        f"; plateau at {100 * plateau.share:.0f} % of the frequencies, where {2 * PLATEAU_DB:g} dB of level is more "
        f"than a step between the angles{': ' * bool(plateau.ends)}{plateau.ends}"
    )


def with_interval(known: Uncertainty | None, plateau: Plateau) -> Uncertainty | None:
    """Return an interval in place of a standard uncertainty where plateaus make the latter meaningless."""
    if plateau.share <= MAX_PLATEAU_SHARE:
        return known
    if known is not None and known.standard is not None and known.interval is not None:
        low, high = known.interval
        return Uncertainty(None, reason=f"plateau near the limit: 95 % of the draws from {low:.0f}° to {high:.0f}°")
    return Uncertainty(None, reason=f"plateau near the limit: {plateau.ends}") if plateau.ends else known


def interpolation_note(beam: BeamWidth, band: tuple[float, float], factor: float) -> str:
    """Return the expanded uncertainty by interpolation of the sum of both sides, mean over the band."""
    inside = (beam.frequency_hz >= band[0]) & (beam.frequency_hz <= band[1])
    both = (beam.interpolation_positive_deg + beam.interpolation_negative_deg)[inside]
    if not np.isfinite(both).any():
        return ""
    size = factor * float(np.nanmean(both))
    return f"; interpolation between the angles \N{PLUS-MINUS SIGN}{size:.1f}° (k = {factor:g})"
