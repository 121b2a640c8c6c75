"""A small source on the front of a rigid box: direct sound and edge diffraction.

The front edges are replaced by secondary sources along their length: U. P. Svensson, R. I. Fred, J. Vanderkooy, "An
analytic secondary source model of edge diffraction impulse responses", J. Acoust. Soc. Am. 106 (1999), recalled;
only its first order is used. Two effects are added approximately:

- a wave from a front edge is shadowed by the next edge on its path. It is weighted with the field behind a
  half-plane (A. Sommerfeld); the weight fades out where the box is small against the wavelength;
- at the lowest frequencies many orders contribute, and their sum is known: a source on a
  body much smaller than the wavelength radiates into the full space, equally in all directions and with half the
  pressure of the half-space. The difference to the first order is added, fading out about ka = 1 for the disc of
  radius a that has the front's area.

The two constants of these transitions were chosen by comparing a cube with a sphere of the same volume, whose field is
known exactly (module sphere); tests/test_demo_model.py checks the agreement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import erfc

from anechain.arrays import Complexes, Floats
from demo_model.air import SPEED_OF_SOUND

__all__ = ["Box", "edge_strength", "source_on_box"]


_WEDGE = 1.5 * np.pi
"""Angle of the air around an edge of the box."""

_RATE = 192_000.0
"""Delays of the edge sources are rounded to samples of 192 kHz (1.8 mm of path), shared between two samples."""


@dataclass(frozen=True)
class Box:
    """A box whose front is in the plane x = 0.

    Attributes
    ----------
    left, right, top, bottom : float
        Edges of the front: y of the left and right one, z of the top and bottom one, m; left is positive.
    depth : float
        m.
    """

    left: float
    right: float
    top: float
    bottom: float
    depth: float

    @property
    def equivalent_radius(self) -> float:
        """Radius of the disc with the area of the front, m."""
        return float(np.sqrt((self.left - self.right) * (self.top - self.bottom) / np.pi))


def edge_strength(angle: Floats, start: Floats, end: Floats, wedge: float = _WEDGE) -> Floats:
    """Return the strength β of an edge source, averaged over its length, for a sound source on one face of the wedge.

    β = Σ sin(νφ) / (cosh(νη) - cos(νφ)) with φ = π ± θS ± θR and ν = π/wedge; on the face θS = 0. It peaks sharply
    where the receiver is close to the shadow boundary of the source, so that its average is taken from the
    antiderivative, 2/ν arctan(tanh(νη/2) / tan(νφ/2)).

    Parameters
    ----------
    angle : numpy.ndarray
        θR, angle of the receiver about the edge, from the source's face, radians.
    start, end : numpy.ndarray
        η at both ends of the edge source, start below end: arsinh(z'/r) of the source plus that of the receiver,
        where z' is the position of the edge source along the edge from either, and r their distance from the edge.
    """
    index = np.pi / wedge
    from_start, to_end = np.tanh(index * start / 2), np.tanh(index * end / 2)
    total = np.zeros(np.broadcast_shapes(angle.shape, start.shape))
    for phi in (np.pi + angle, np.pi - angle):
        # On the shadow boundary itself the strength is odd and its integral vanishes.
        on_boundary = np.abs(phi) < 1e-6
        slope = np.where(on_boundary, 1.0, np.tan(index * phi / 2))
        total += np.where(on_boundary, 0.0, np.arctan(to_end / slope) - np.arctan(from_start / slope))
    # Each of the two stands for two of the four terms.
    return np.asarray(4 / index * total / (end - start))


def _half_plane(angle: Floats, length: float, wavenumber: Floats, low: Floats) -> Complexes:
    """Return the share of a wave that passes an edge, shape (directions, frequencies).

    Parameters
    ----------
    angle : numpy.ndarray, shape (directions,)
        Radians behind the edge's shadow boundary; negative in front of it.
    length : float
        Path of the wave to the edge, m.
    wavenumber : numpy.ndarray, shape (frequencies,)
        1/m.
    low : numpy.ndarray, shape (directions,)
        Share at the lowest frequencies, which is also a factor in the shadow.
    """
    argument = np.exp(0.25j * np.pi) * np.sin(angle / 2)[:, None] * np.sqrt(2 * wavenumber * length)
    size = (0.5 * wavenumber * length) ** 2
    share = size / (1 + size)
    return np.asarray(low[:, None] * (1 + share * (0.5 * erfc(argument) - 1)))


def source_on_box(
    box: Box,
    source: tuple[float, float],
    receivers: Floats,
    wavenumber: Floats,
    directivity: Floats | Complexes,
    edge_directivity: Floats | Complexes,
    spacing: float = 0.004,
) -> Complexes:
    """Return the transfer function of a small source on the front of a box.

    Parameters
    ----------
    box : Box
        The box.
    source : (float, float)
        y and z of the source, m.
    receivers : numpy.ndarray, shape (directions, 3)
        Positions outside the box, m.
    wavenumber : numpy.ndarray, shape (frequencies,)
        1/m.
    directivity : numpy.ndarray, shape (directions, frequencies)
        Directivity of the source in an infinite baffle, towards the receivers in front.
    edge_directivity : numpy.ndarray, shape (frequencies,)
        Its directivity along the baffle, towards the edges.
    spacing : float
        Length of an edge source, m.

    Returns
    -------
    numpy.ndarray, shape (directions, frequencies)
        1/m; exp(-jkr)/r for an infinite front.
    """
    y0, z0 = source
    straight = receivers - np.array([0.0, y0, z0])
    distance = np.linalg.norm(straight, axis=1)
    front = receivers[:, 0]
    # In the plane of the front the direct sound is the mean of both sides.
    visible = np.where(np.abs(front) < 1e-9, 0.5, (front > 0).astype(np.float64))[:, None]
    direct = visible / distance[:, None]

    sides = (
        # outward axis and sign, edge's position on it, start and end along the edge, width across
        (1, 1.0, box.left, box.bottom, box.top, box.left - box.right),
        (1, -1.0, box.right, box.bottom, box.top, box.left - box.right),
        (2, 1.0, box.top, box.right, box.left, box.top - box.bottom),
        (2, -1.0, box.bottom, box.right, box.left, box.top - box.bottom),
    )
    steps = 2 + int(_RATE / SPEED_OF_SOUND * 2 * np.hypot(box.left - box.right, box.top - box.bottom))
    omega_delay = np.outer(np.arange(steps), wavenumber * SPEED_OF_SOUND / _RATE)
    # Sharing an edge source between two delays acts as a triangular window in time; its transform is divided out.
    taper = np.sinc(wavenumber * SPEED_OF_SOUND / (2 * np.pi * _RATE)) ** 2
    real, imaginary = np.cos(omega_delay) / taper, -np.sin(omega_delay) / taper
    edges = np.zeros((receivers.shape[0], wavenumber.size), dtype=np.complex128)
    static = np.zeros(receivers.shape[0])
    for axis, sign, position, start, end, across in sides:
        along = 3 - axis
        count = max(8, int(np.ceil((end - start) / spacing)))
        t = start + (np.arange(count) + 0.5) * (end - start) / count
        ends = start + np.arange(count + 1) * (end - start) / count
        source_reach = abs(position - (y0 if axis == 1 else z0))
        source_start = z0 if axis == 1 else y0
        outward = sign * (receivers[:, axis] - position)
        # Angle about the edge from the front (0) through the forward direction to the side (3π/2).
        angle = np.mod(np.arctan2(front, -outward), 2 * np.pi)
        angle = np.where(2 * np.pi - angle < 1e-9, 0.0, angle)
        receiver_reach = np.hypot(front, outward)[:, None]
        receiver_start = receivers[:, along][:, None]
        m = np.hypot(source_reach, t - source_start)[None, :]
        r = np.hypot(receiver_reach, t - receiver_start)
        eta = np.arcsinh((ends - source_start) / source_reach) + np.arcsinh((ends - receiver_start) / receiver_reach)
        delay = (m + r - distance[:, None]) / SPEED_OF_SOUND * _RATE
        step = np.clip(np.floor(delay).astype(np.int64), 0, steps - 2)
        part = np.clip(delay - step, 0.0, 1.0)

        hidden = angle > _WEDGE
        # Behind the rear edge of this side, and behind the front as seen from the far sides.
        rear = np.arctan2(-outward, -(front + box.depth))
        over = np.where(angle > np.pi, 2 * np.pi - angle, -angle)
        whole = np.ones_like(angle)
        routes = (
            # (angle about the edge, angle behind the next edge and the path to it, share at low frequencies, used)
            # visible past the side, and visible over the front
            (angle, rear, box.depth, whole, ~hidden & (outward >= 0)),
            (angle, over, across, whole, ~hidden & (outward < 0)),
            # in the shadow: around the side and its rear edge, and over the front and its far edge; each fades out
            # smoothly towards directions where it does not exist
            (np.full_like(angle, _WEDGE), rear, box.depth, np.cos(rear / 2) ** 2, hidden),
            (np.zeros_like(angle), over, across, np.cos(over) ** 2, hidden),
        )
        for edge_angle, behind, path, low, used in routes:
            rows = np.flatnonzero(used)
            if not rows.size:
                continue
            beta = edge_strength(edge_angle[rows, None], eta[rows, :-1], eta[rows, 1:])
            # half of the four terms: the front doubles the source, which the half-space pressure includes already
            strength = -beta / (1.5 * 8 * np.pi) / (m * r[rows]) * ((end - start) / count)
            flat = (np.arange(rows.size)[:, None] * steps + step[rows]).ravel()
            impulse = np.bincount(flat, (strength * (1 - part[rows])).ravel(), rows.size * steps)
            impulse += np.bincount(flat + 1, (strength * part[rows]).ravel(), rows.size * steps)
            impulse = impulse.reshape(rows.size, steps)
            weight = _half_plane(behind[rows], path, wavenumber, low[rows])
            edges[rows] += weight * (impulse @ real + 1j * (impulse @ imaginary))
            static[rows] += low[rows] * strength.sum(axis=1)
    missing = 0.5 / distance - (direct[:, 0] + static)
    fading = 1 / (1 + 0.8j * wavenumber * box.equivalent_radius) ** 2
    total = direct * directivity + edges * edge_directivity + missing[:, None] * fading
    return np.asarray(total * np.exp(-1j * np.outer(distance, wavenumber)))
