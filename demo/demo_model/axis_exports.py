"""Files of the recordings on the axis, with the names and lists of their recorders."""

from __future__ import annotations

from collections.abc import Iterator

from demo_model.loudspeakers import LOUDSPEAKERS
from demo_model.recordings import DRIVES, Recording, calibrator_recording, recordings, warmed_up, wave_file

__all__ = ["CALIBRATOR_FILE", "WARM_UP", "alder_recordings", "rowan_recordings"]

CALIBRATOR_FILE = "raw/calibrator.wav"
WARM_UP = 16.0, 1_200
"""Pink noise at alder's terminals before its second series: V r.m.s., and duration in s."""


def _numbered(series: Iterator[Recording]) -> Iterator[tuple[int, str, Recording]]:
    """Yield each recording with its number and its take: "a", or "b" where its drive is repeated."""
    for number, recording in enumerate(series, start=1):
        yield number, "b" if number > len(DRIVES) else "a", recording


def rowan_recordings() -> dict[str, bytes]:
    """Return files of a recorder whose user writes everything into the file name, and a calibrator's recording."""
    files = {CALIBRATOR_FILE: wave_file(calibrator_recording(100))}
    for number, take, recording in _numbered(recordings(LOUDSPEAKERS["rowan"], seed=200)):
        drive = f"{recording.drive:g}".replace(".", ",")
        files[f"raw/rowan/drives/rowan waagerecht 0 {drive} V {take} {number}.wav"] = wave_file(recording.sound)
    return files


def alder_recordings() -> dict[str, bytes]:
    """Return two series of a recorder that numbers its takes, with a manifest: cold, and warmed up by noise.

    The interval of the warm series is as short as possible, so that the coil hardly cools.
    """
    alder, files = LOUDSPEAKERS["alder"], {}
    cold = recordings(alder, seed=300)
    warm = recordings(alder, seed=400, temperatures=warmed_up(alder, *WARM_UP), interval=8.0)
    for folder, series in (("drives", cold), ("warm", warm)):
        listed = ["file,plane,angle,drive,take,order,started"]
        for number, take, recording in _numbered(series):
            name = f"sweep {number:02d}.wav"
            files[f"raw/alder/{folder}/{name}"] = wave_file(recording.sound)
            listed.append(f"{name},h,0,{recording.drive:g},{take},{number},{recording.start:g}")
        files[f"raw/alder/{folder}/manifest.csv"] = ("\n".join(listed) + "\n").encode()
    return files
