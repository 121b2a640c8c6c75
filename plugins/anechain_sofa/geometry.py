"""Directions around the loudspeaker from the positions and views of an AES69 file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.acoustics.directivity.directions import frame
from anechain.arrays import Floats
from anechain.importing.frames import axis_vector
from anechain_sofa.options import SofaOptions
from anechain_sofa.selection import Selection
from anechain_sofa.variables import SofaFile, attribute, directions_of, positions

__all__ = ["Geometry", "geometry"]


_EQUAL_RADII = 0.01
"""Relative difference below which radii count as equal."""
_LOCAL_VIEW, _LOCAL_UP = (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)
"""View and up in the local frame of a view."""


@dataclass(frozen=True)
class Geometry:
    """Directions in the project's coordinates: reference axis along +x, up along +z.

    Attributes
    ----------
    vectors : numpy.ndarray, shape (directions, 3)
        Metres.
    distance : float or None
        Metres; None if the radii do not state it (unit vectors, or radii that differ).
    """

    vectors: Floats
    distance: float | None


def _pick(values: Floats, selection: Selection, dimension: str) -> Floats:
    """Select from an array of shape (elements, measurements, 3); return shape (directions or 1, 3)."""
    if dimension in selection.at and len(values) > 1:
        values = values[[selection.at[dimension]]]
    if "M" in selection.at and values.shape[1] > 1:
        values = values[:, [selection.at["M"]]]
    return np.asarray(values.reshape(-1, 3))


def _pick_views(values: Floats | None, selection: Selection) -> Floats | None:
    if values is None or len(values) == 1 or "M" not in selection.at:
        return values
    return values[[selection.at["M"]]]


def _frames(file: SofaFile, name: str, view: Floats | None, up: Floats | None) -> Floats | None:
    """Return the rotation into the local frame of each view, shape (measurements or 1, 3, 3)."""
    if view is None:
        return np.eye(3)[None]
    ups = np.asarray([_LOCAL_UP]) if up is None else up
    count = max(len(view), len(ups))
    try:
        return np.stack([frame(view[i % len(view)], ups[i % len(ups)]) for i in range(count)])
    except ValueError as error:
        file.refuse(f"{name}View and {name}Up: {error}", "two directions that are not parallel")
        return None


def _text(vector: Floats) -> str:
    return "[" + ", ".join(f"{round(float(value), 6) + 0.0:g}" for value in vector) + "]"


def _centred(file: SofaFile, receivers: Floats, listener: Floats, source: Floats) -> Floats:
    """Return vectors from the loudspeaker to the receivers: from its position, or from the receivers' own origin."""
    if np.allclose(listener, source, atol=1e-6):
        return receivers - source
    about_listener, about_source = receivers - listener, receivers - source
    radii = np.linalg.norm(about_listener, axis=1)
    if np.ptp(radii) <= _EQUAL_RADII * radii.max():
        file.report.append(
            f"directions are relative to the origin of the receivers, which are all {radii.mean():g} m from it; "
            f"SourcePosition, {_text(source[0] - listener[0])} m from there, contradicts this and is ignored"
        )
        return about_listener
    file.report.append(f"directions are relative to SourcePosition {_text(source[0])}, not to the receivers' origin")
    return about_source


def geometry(file: SofaFile, selection: Selection, options: SofaOptions) -> Geometry | None:
    """Return the direction of every measured curve; None, with problems, if the file does not state them."""
    before = len(file.problems)
    at_receiver, at_listener, at_source = (
        positions(file, f"{name}Position") for name in ("Receiver", "Listener", "Source")
    )
    listener_view, listener_up, source_view, source_up = (
        _pick_views(directions_of(file, f"{name}{what}", f"{name}View"), selection)
        for name in ("Listener", "Source")
        for what in ("View", "Up")
    )
    if len(file.problems) > before:
        return None
    assert at_receiver is not None and at_listener is not None and at_source is not None
    listener, source = _pick(at_listener, selection, "I"), _pick(at_source, selection, "I")
    receiver = _pick(at_receiver, selection, "R")
    listener_frames = _frames(file, "Listener", listener_view, listener_up)
    if listener_frames is None:
        return None
    if options.directions == "sources":
        vectors, carrier, view, up, frames = source - listener, "Listener", listener_view, listener_up, listener_frames
    else:
        if not np.allclose(listener_frames, np.eye(3), atol=1e-9):
            file.report.append("receiver positions are rotated by ListenerView and ListenerUp, as AES69 defines them")
        # Row vectors times the rotation into the local frame are rotated out of it.
        receivers = listener + np.einsum("di,dij->dj", *_same_length(receiver, listener_frames))
        vectors = (
            _centred(file, receivers, listener, source) if options.directions == "receivers" else receivers - source
        )
        carrier, view, up = "Source", source_view, source_up
        source_frames = _frames(file, "Source", source_view, source_up)
        if source_frames is None:
            return None
        frames = source_frames
    if len(vectors) == 1:
        vectors = np.broadcast_to(vectors, (max(len(frames), 1), 3))
    if len(frames) > 1:
        vectors = np.einsum("dij,dj->di", *_same_length(frames, vectors))
        file.report.append(
            f"{carrier}View and {carrier}Up differ between measurements: directions are relative to the frame that "
            "rotates with them"
        )
        view, up = (np.asarray([vector]) for vector in (_LOCAL_VIEW, _LOCAL_UP))
    return _in_project_frame(file, selection, options, np.asarray(vectors), carrier, view, up)


def _same_length(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    count = max(len(a), len(b))
    return np.broadcast_to(a, (count, *a.shape[1:])), np.broadcast_to(b, (count, *b.shape[1:]))


def _in_project_frame(
    file: SofaFile,
    selection: Selection,
    options: SofaOptions,
    vectors: Floats,
    carrier: str,
    view: Floats | None,
    up: Floats | None,
) -> Geometry | None:
    """Rotate vectors from the file's coordinates into the project's, after determining the reference axis."""
    if len(vectors) != selection.count:
        varying = "SourcePosition" if options.directions == "sources" else "SourceView and ListenerPosition"
        file.refuse(
            f"{varying} do not vary over the {selection.count} measurements, so they state no directions",
            "one direction for each measurement",
            "see the option directions",
        )
        return None
    radii = np.linalg.norm(vectors, axis=1)
    if not (radii > 1e-6).all():
        without_distance = np.flatnonzero(~(radii > 1e-6))
        file.refuse(
            f"{without_distance.size} of {radii.size} directions have no distance from the loudspeaker, the first is "
            f"{selection.name(int(without_distance[0]))}",
            "positions away from the loudspeaker",
            "state the positions in the file",
        )
        return None
    declared_axis = None if options.reference_axis is None else np.asarray(axis_vector(options.reference_axis))
    declared_up = None if options.up is None else np.asarray(axis_vector(options.up))
    axis = declared_axis if declared_axis is not None else (None if view is None else view[0])
    upward = declared_up if declared_up is not None else (None if up is None else up[0])
    missing = [
        (option, name)
        for option, name, value in (
            ("reference_axis", f"{carrier}View", axis),
            ("up", f"{carrier}Up", upward),
        )
        if value is None
    ]
    for option, name in missing:
        file.refuse(
            f"there is no {name}, so the file does not state the loudspeaker's "
            f"{'reference axis' if option == 'reference_axis' else 'upward direction'}",
            f"{name} in the file, or the option {option}",
            f'declare {option}, for example "+x", in the file\'s coordinates',
        )
    if axis is None or upward is None:
        return None
    try:
        rotation = frame(axis, upward)
    except ValueError as error:
        file.refuse(
            f"reference axis {_text(axis)} and up {_text(upward)}: {error}",
            "two directions that are not parallel",
            "declare reference_axis and up together",
        )
        return None
    for axis_name, value, declared, name in (
        ("reference axis", axis, declared_axis, f"{carrier}View"),
        ("up", upward, declared_up, f"{carrier}Up"),
    ):
        origin = f"from {name}" if declared is None else "declared in the options"
        stated = view if name.endswith("View") else up
        if (
            declared is not None
            and stated is not None
            and not np.allclose(declared / np.linalg.norm(declared), stated[0] / np.linalg.norm(stated[0]), atol=1e-6)
        ):
            origin += f", overriding {name} {_text(stated[0])}"
        note = attribute(file, f"{name}_Reference") if declared is None else ""
        file.report.append(
            f"{axis_name}: {_text(value)} in the file's coordinates, {origin}" + (f" ({note})" if note else "")
        )
    return Geometry(vectors @ rotation.T, _distance(file, options, radii))


def _distance(file: SofaFile, options: SofaOptions, radii: Floats) -> float | None:
    spread = float(radii.max() / radii.min())
    if spread > 1 + _EQUAL_RADII:
        file.report.append(
            f"distances differ between directions, {radii.min():g} to {radii.max():g} m "
            f"({20 * np.log10(spread):.1f} dB by the inverse distance law); the levels are not changed"
        )
        return None
    distance = float(np.median(radii))
    position = "SourcePosition" if options.directions == "sources" else "ReceiverPosition"
    if attribute(file, f"{position}_Type").lower() == "cartesian" and np.allclose(radii, 1, rtol=0, atol=1e-6):
        file.report.append(f"{position} contains unit vectors: 1 m is not used as the measuring distance")
        return None
    if not 0.1 <= distance <= 100:
        file.report.append(f"distance of {distance:g} m is not plausible and is not used")
        return None
    file.report.append(f"distance: {round(distance, 6):g} m, from {position}")
    return round(distance, 6)
