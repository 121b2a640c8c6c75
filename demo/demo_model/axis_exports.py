"""Recordings on the axis as their recorders name and list them: bytes of files."""

from __future__ import annotations

from collections.abc import Iterator

from demo_model.loudspeakers import LOUDSPEAKERS
from demo_model.recordings import DRIVES, Recording, calibrator_recording, recordings, warmed_up, wave_file

__all__ = ["CALIBRATOR_FILE", "WARM_UP", "alder_recordings", "rowan_recordings"]

CALIBRATOR_FILE = "raw/calibrator.wav"
WARM_UP = 16.0, 1_200
"""Pink noise at alder's terminals before its second series: V r.m.s. and s."""


def _names(taken: Iterator[Recording]) -> Iterator[tuple[int, str, Recording]]:
    """Each recording with its number and its take: "a", or "b" where its drive was recorded before."""
    for number, one in enumerate(taken, start=1):
        yield number, "b" if number > len(DRIVES) else "a", one


def rowan_recordings() -> dict[str, bytes]:
    """A recorder whose user writes everything into the file name; and the calibrator that was on its microphone."""
    files = {CALIBRATOR_FILE: wave_file(calibrator_recording(100))}
    for number, take, one in _names(recordings(LOUDSPEAKERS["rowan"], seed=200)):
        drive = f"{one.drive:g}".replace(".", ",")
        files[f"raw/rowan/drives/rowan waagerecht 0 {drive} V {take} {number}.wav"] = wave_file(one.sound)
    return files


def alder_recordings() -> dict[str, bytes]:
    """A recorder that numbers its takes, with a list kept by hand, twice: cold, and warmed up by noise.

    The warm series is played as fast as it can be saved, so that the coil has no time to cool.
    """
    alder, files = LOUDSPEAKERS["alder"], {}
    cold = recordings(alder, seed=300)
    warm = recordings(alder, seed=400, temperatures=warmed_up(alder, *WARM_UP), interval=5.0)
    for folder, taken in (("drives", cold), ("warm", warm)):
        listed = ["file,plane,angle,drive,take,order,started"]
        for number, take, one in _names(taken):
            name = f"sweep {number:02d}.wav"
            files[f"raw/alder/{folder}/{name}"] = wave_file(one.sound)
            listed.append(f"{name},h,0,{one.drive:g},{take},{number},{one.start:g}")
        files[f"raw/alder/{folder}/manifest.csv"] = ("\n".join(listed) + "\n").encode()
    return files
