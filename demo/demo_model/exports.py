"""Raw exports in the formats of four instruments: bytes of text files, and one AES69 file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.air import SPEED_OF_SOUND
from demo_model.loudspeaker_model import DISTANCE, level_and_phase, pressure
from demo_model.loudspeakers import LOUDSPEAKERS

__all__ = [
    "SPHERE_FILE",
    "TAKES",
    "alder_files",
    "directions",
    "frequencies",
    "hazel_files",
    "misplaced_pressure",
    "orbit",
    "rowan_files",
    "willow_files",
    "write_hornbeam",
]


SPHERE_FILE = "raw/hornbeam/hornbeam.sofa"
TAKES = "abc"
"""Takes of alder's orbits: between them it was taken off the turntable and put back."""

GAIN_ERROR = 0.07
"""dB; standard deviation of the gain of each capture of alder's orbits."""


def frequencies(count: int) -> Floats:
    """Return a logarithmic grid from 20 Hz to 20 kHz, rounded to 0.01 Hz."""
    return np.round(np.geomspace(20.0, 20_000.0, count), 2)


def directions(azimuth: Floats, elevation: Floats) -> Floats:
    """Return the unit vectors of azimuth (to the left) and elevation (upwards) in degrees: x forward, y left, z up."""
    az, el = np.deg2rad(azimuth), np.deg2rad(elevation)
    return np.stack([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)], axis=-1)


def orbit(plane: str, angle: Floats) -> Floats:
    """Return the unit vectors of an orbit: positive angles to the left on "horizontal", upwards on "vertical"."""
    a = np.deg2rad(angle)
    across = np.sin(a)
    # Exactly in the plane of the front at ±90 degrees, so that the model treats both sides of it equally.
    ahead = np.where(np.mod(angle, 180) == 90, 0.0, np.cos(a))
    none = np.zeros_like(a)
    return np.stack([ahead, across, none] if plane == "horizontal" else [ahead, none, across], axis=-1)


def _curves(
    device: str, plane: str, angle: Floats, frequency: Floats, take: str = ""
) -> Iterator[tuple[float, list[list[str]]]]:
    """Yield each angle with its rows of frequency, level and phase as text with decimal points."""
    if take:
        sound = misplaced_pressure(device, plane, angle, frequency, take)
    else:
        sound = pressure(LOUDSPEAKERS[device], orbit(plane, angle), frequency)
    level, phase = level_and_phase(sound)
    first = [f"{value:.2f}" for value in frequency]
    for index, degrees in enumerate(angle):
        rows = zip(first, level[index].tolist(), phase[index].tolist(), strict=True)
        yield float(degrees), [[f, f"{db:.2f}", f"{phase_deg:.1f}"] for f, db, phase_deg in rows]


def misplaced_pressure(device: str, plane: str, angle: Floats, frequency: Floats, take: str) -> Complexes:
    """Return the pressure of an orbit in one take, shape (angles, frequencies); the same for the same take.

    Normally distributed errors of each take: 1 mm in distance, 0.5 degree in the plane of the orbit and across it. Of
    each capture: 0.2 degree, and 0.07 dB in gain, the same at all frequencies. Common practice, no source.

    The pressure at a wrong angle is interpolated from the correct angle and two degrees on either side, since the model
    of the box has a step of half a decibel in the plane of the front that no real loudspeaker has.
    """
    random = np.random.default_rng([ord(take), plane == "vertical"])
    rotation, tilt_error, approach = random.standard_normal(3)
    angle_error = (0.5 * rotation + 0.2 * random.standard_normal(angle.size))[:, None]
    gain = 10 ** (GAIN_ERROR / 20 * random.standard_normal(angle.size))[:, None]
    tilt, closer, step = np.deg2rad(0.5 * tilt_error), 0.001 * approach, 2.0
    sideways = np.array([0.0, 0.0, 1.0] if plane == "horizontal" else [0.0, 1.0, 0.0])
    below, correct, above = (
        pressure(LOUDSPEAKERS[device], np.cos(tilt) * orbit(plane, angle + offset) + np.sin(tilt) * sideways, frequency)
        for offset in (-step, 0.0, step)
    )
    u = angle_error / step
    interpolated = correct + u * (above - below) / 2 + u**2 * (above - 2 * correct + below) / 2
    shift = DISTANCE / (DISTANCE - closer) * np.exp(2j * np.pi * frequency * closer / SPEED_OF_SOUND)
    return np.asarray(interpolated * gain * shift)


def rowan_files() -> dict[str, bytes]:
    """Return files of an analyser set to German: tabs, decimal commas, Latin-1, CRLF; angles from 0 to 350 degrees.

    The turntable turns the loudspeaker to its left, so that positive angles are on the loudspeaker's right. For the
    vertical orbit the loudspeaker lies on its side, so that positive angles are upwards.
    """
    files = {}
    counted = np.arange(0.0, 360.0, 10.0)
    for plane, word in (("horizontal", "waagerecht"), ("vertical", "senkrecht")):
        angle = -counted if plane == "horizontal" else counted
        for degrees, (_, rows) in zip(counted, _curves("rowan", plane, angle, frequencies(480)), strict=True):
            head = [
                "Prüfling:\tEberesche (Rowan)",
                f"Ebene:\t{word}",
                f"Winkel:\t{degrees:.0f}°",
                f"Messabstand:\t{DISTANCE:.2f} m".replace(".", ","),
                "Pegel:\tdB re 20 µPa bei 2,83 V",
                "",
                "Frequenz [Hz]\tPegel [dB]\tPhase [°]",
            ]
            lines = [*head, *("\t".join(row).replace(".", ",") for row in rows)]
            text = "\r\n".join(lines) + "\r\n"
            files[f"raw/rowan/rowan {word} {degrees:.0f}.txt"] = text.encode("latin-1")
    return files


def _scripted(device: str, frequency: Floats, take: str = "") -> dict[str, bytes]:
    """Return files of the workshop's own script: commas, UTF-8; signed angles, positive to the left and upwards."""
    files = {}
    angle = np.arange(-170.0, 181.0, 10.0)
    for plane, letter in (("horizontal", "h"), ("vertical", "v")):
        for degrees, rows in _curves(device, plane, angle, frequency, take):
            lines = ["frequency_hz,level_db_spl,phase_deg", *(",".join(row) for row in rows)]
            name = f"{device}_{letter}_{degrees:+04.0f}" + (f"_{take}" if take else "")
            files[f"raw/{device}/{name}.csv"] = ("\n".join(lines) + "\n").encode()
    return files


def alder_files() -> dict[str, bytes]:
    """Return files of the workshop's own script; each orbit was measured in three takes."""
    return {name: text for take in TAKES for name, text in _scripted("alder", frequencies(480), take).items()}


def hazel_files() -> dict[str, bytes]:
    """Return files of the same script: half the frequencies, one take."""
    return _scripted("hazel", frequencies(240))


def willow_files() -> dict[str, bytes]:
    """Return files of a recorder that numbers its takes: semicolons, UTF-16; a manifest lists plane and angle.

    Directions on both orbits were measured once.
    """
    files, listed, take = {}, ["file,plane,angle"], 0
    for plane in ("horizontal", "vertical"):
        angle = np.arange(-175.0, 181.0, 5.0)
        if plane == "vertical":
            angle = angle[np.mod(angle, 180) != 0]
        for degrees, rows in _curves("willow", plane, angle, frequencies(480)):
            take += 1
            name = f"take {take:03d}.txt"
            lines = [f"take {take:03d}", "Hz;dB;deg", *(";".join(row) for row in rows)]
            files[f"raw/willow/{name}"] = b"\xff\xfe" + ("\r\n".join(lines) + "\r\n").encode("utf-16-le")
            listed.append(f"{name},{plane},{degrees:g}")
    files["raw/willow/manifest.csv"] = ("\n".join(listed) + "\n").encode()
    return files


def _sphere_grid() -> tuple[Floats, Floats]:
    """Return azimuth and elevation of a 5 degree grid with each pole once."""
    azimuth, elevation = np.meshgrid(np.arange(0.0, 360.0, 5.0), np.arange(-85.0, 86.0, 5.0))
    return np.concatenate([azimuth.ravel(), [0.0, 0.0]]), np.concatenate([elevation.ravel(), [-90.0, 90.0]])


def write_hornbeam(path: Path) -> None:
    """Write the AES69 file (FreeFieldDirectivityTF 1.1): complex pressure in Pa over the full sphere.

    The loudspeaker is symmetric left to right and top to bottom: a quarter is computed and mirrored.
    """
    import sofar

    azimuth, elevation = _sphere_grid()
    frequency = frequencies(240)
    folded = np.where(azimuth > 180, 360 - azimuth, azimuth)
    unique, inverse = np.unique(np.stack([folded, np.abs(elevation)], axis=1), axis=0, return_inverse=True)
    towards = directions(unique[:, 0], unique[:, 1])
    towards[np.abs(towards) < 1e-12] = 0.0
    sound = pressure(LOUDSPEAKERS["hornbeam"], towards, frequency)[inverse]
    # Such instruments compute in single precision.
    single = sound.astype(np.complex64)

    sofa: Any = sofar.Sofa("FreeFieldDirectivityTF", version="1.1")  # type: ignore[no-untyped-call] # untyped library
    sofa.GLOBAL_Title = "Hornbeam"
    sofa.GLOBAL_AuthorContact = "The hall workshop"
    sofa.GLOBAL_Organization = "The hall workshop (fictional)"
    sofa.GLOBAL_License = "CC-BY-4.0"
    sofa.GLOBAL_DatabaseName = "Loudspeakers for small community halls"
    sofa.GLOBAL_SourceType = "loudspeaker, computed"
    sofa.GLOBAL_SourceManufacturer = "The hall workshop (fictional)"
    sofa.GLOBAL_RoomType = "free field"
    sofa.GLOBAL_Comment = "Sound pressure in Pa r.m.s. at 2 m, 2.83 V r.m.s."
    # Fixed, so that the same model gives the same bytes.
    sofa.GLOBAL_DateCreated = sofa.GLOBAL_DateModified = "2026-01-01 00:00:00"
    sofa.protected = False
    sofa.GLOBAL_ApplicationName = "demo"
    sofa.GLOBAL_ApplicationVersion = "1"
    for optional in ("EmitterDescriptions", "Description", "MIDINote", "SourceTuningFrequency"):
        sofa.delete(optional)
    sofa.protected = True
    sofa.ListenerPosition = [0.0, 0.0, 0.0]
    sofa.ReceiverPosition = np.stack([azimuth, elevation, np.full_like(azimuth, DISTANCE)], axis=1)
    sofa.ReceiverPosition_Type = "spherical"
    sofa.ReceiverPosition_Units = "degree, degree, metre"
    sofa.SourcePosition = [0.0, 0.0, 0.0]
    sofa.SourcePosition_Reference = "centre of the tweeter"
    sofa.SourceView = [1.0, 0.0, 0.0]
    sofa.SourceView_Reference = "perpendicular to the front"
    sofa.SourceUp = [0.0, 0.0, 1.0]
    sofa.SourceUp_Reference = "the upper woofer lies above the tweeter"
    sofa.EmitterPosition = [0.0, 0.0, 0.0]
    sofa.N = frequency
    sofa.Data_Real = single.real.astype(np.float64)[None]
    sofa.Data_Imag = single.imag.astype(np.float64)[None]
    sofar.write_sofa(str(path), sofa)
