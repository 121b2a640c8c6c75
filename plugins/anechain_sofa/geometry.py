"""From positions and views to directions around the loudspeaker, and the axis they refer to."""

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
_CAMERA = ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))  # what a view's own frame looks along, and its up


@dataclass(frozen=True)
class Geometry:
    """Directions in our frame: reference axis along +x, up along +z.

    Attributes
    ----------
    vectors : numpy.ndarray, shape (directions, 3)
        Metres.
    distance : float or None
        Metres; None if the file's radii tell none (unit vectors, or radii that differ).
    """

    vectors: Floats
    distance: float | None


def _pick(values: Floats, selection: Selection, dimension: str) -> Floats:
    """Of (elements, measurements, 3): what belongs to the selection, broadcast to (directions or 1, 3)."""
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
    """Rotation into the local frame of each view, shape (measurements or 1, 3, 3)."""
    if view is None:
        return np.eye(3)[None]
    raised = np.asarray([_CAMERA[1]]) if up is None else up
    count = max(len(view), len(raised))
    try:
        return np.stack([frame(view[i % len(view)], raised[i % len(raised)]) for i in range(count)])
    except ValueError as error:
        file.refuse(f"{name}View and {name}Up: {error}", "two directions across each other")
        return None


def _text(vector: Floats) -> str:
    return "[" + ", ".join(f"{round(float(value), 6) + 0.0:g}" for value in vector) + "]"


def _centred(file: SofaFile, receivers: Floats, listener: Floats, source: Floats) -> Floats:
    """Vectors to the receivers from the loudspeaker: from the source's position, or the receivers' own origin."""
    if np.allclose(listener, source, atol=1e-6):
        return receivers - source
    about_listener, about_source = receivers - listener, receivers - source
    radii = np.linalg.norm(about_listener, axis=1)
    if np.ptp(radii) <= _EQUAL_RADII * radii.max():
        file.report.append(
            f"directions are taken about the origin of the receivers, which all lie {radii.mean():g} m from it; "
            f"SourcePosition, {_text(source[0] - listener[0])} m from there, would contradict that and is left out"
        )
        return about_listener
    file.report.append(f"directions are taken from SourcePosition {_text(source[0])}, not from the receivers' origin")
    return about_source


def geometry(file: SofaFile, selection: Selection, options: SofaOptions) -> Geometry | None:
    """Find the direction of every measured curve; None, with problems, if the file does not tell."""
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
            file.report.append("receiver positions are turned with ListenerView and ListenerUp, as AES69 defines them")
        # Rows times the rotation into the local frame are vectors brought out of it.
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
            f"{carrier}View and {carrier}Up differ between measurements: directions are taken in the frame that turns "
            "with them"
        )
        view, up = (np.asarray([vector]) for vector in _CAMERA)
    return _referred(file, selection, options, np.asarray(vectors), carrier, view, up)


def _same_length(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    count = max(len(a), len(b))
    return np.broadcast_to(a, (count, *a.shape[1:])), np.broadcast_to(b, (count, *b.shape[1:]))


def _referred(
    file: SofaFile,
    selection: Selection,
    options: SofaOptions,
    vectors: Floats,
    carrier: str,
    view: Floats | None,
    up: Floats | None,
) -> Geometry | None:
    """Turn vectors from the file's frame into ours, after asking which axis they refer to."""
    if len(vectors) != selection.count:
        varying = "SourcePosition" if options.directions == "sources" else "SourceView and ListenerPosition"
        file.refuse(
            f"{varying} do not vary over the {selection.count} measurements, so they give no directions",
            "one direction for each measurement",
            "see the option directions",
        )
        return None
    radii = np.linalg.norm(vectors, axis=1)
    if not (radii > 1e-6).all():
        none = np.flatnonzero(~(radii > 1e-6))
        file.refuse(
            f"{none.size} of {radii.size} directions have no distance from the loudspeaker, the first of them "
            f"{selection.name(int(none[0]))}",
            "positions away from the loudspeaker",
            "state the positions in the file",
        )
        return None
    declared_axis = None if options.reference_axis is None else np.asarray(axis_vector(options.reference_axis))
    declared_up = None if options.up is None else np.asarray(axis_vector(options.up))
    axis = declared_axis if declared_axis is not None else (None if view is None else view[0])
    upward = declared_up if declared_up is not None else (None if up is None else up[0])
    lacking = [
        (option, name)
        for option, name, value in (
            ("reference_axis", f"{carrier}View", axis),
            ("up", f"{carrier}Up", upward),
        )
        if value is None
    ]
    for option, name in lacking:
        file.refuse(
            f"there is no {name}, so the file does not say where the loudspeaker's "
            f"{'reference axis points' if option == 'reference_axis' else 'upper side is'}",
            f"{name} in the file, or the option {option}",
            f'declare {option}, for example "+x", in the file\'s coordinates; it cannot be guessed',
        )
    if axis is None or upward is None:
        return None
    try:
        rotation = frame(axis, upward)
    except ValueError as error:
        file.refuse(
            f"reference axis {_text(axis)} and up {_text(upward)}: {error}",
            "two directions across each other",
            "declare reference_axis and up together",
        )
        return None
    for words, value, declared, name in (
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
            f"{words}: {_text(value)} in the file's coordinates, {origin}" + (f" ({note})" if note else "")
        )
    return Geometry(vectors @ rotation.T, _distance(file, options, radii))


def _distance(file: SofaFile, options: SofaOptions, radii: Floats) -> float | None:
    spread = float(radii.max() / radii.min())
    if spread > 1 + _EQUAL_RADII:
        file.report.append(
            f"distances differ between directions, {radii.min():g} to {radii.max():g} m "
            f"({20 * np.log10(spread):.1f} dB by the inverse distance law); the levels are left as they are"
        )
        return None
    distance = float(np.median(radii))
    position = "SourcePosition" if options.directions == "sources" else "ReceiverPosition"
    if attribute(file, f"{position}_Type").lower() == "cartesian" and np.allclose(radii, 1, rtol=0, atol=1e-6):
        file.report.append(f"{position} holds unit vectors: 1 m is not taken for a measuring distance")
        return None
    if not 0.1 <= distance <= 100:
        file.report.append(f"distance of {distance:g} m is not plausible and not taken over")
        return None
    file.report.append(f"distance: {round(distance, 6):g} m, from {position}")
    return round(distance, 6)
