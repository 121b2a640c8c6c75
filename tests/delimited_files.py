"""Curves with a closed form, written as text in many formats."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import j1

CORNER, QUALITY, RADIUS, SPEED = 80.0, 1 / np.sqrt(2), 0.08, 343.0


def piston_box(frequency, angle):
    """Level in dB and phase in degrees of a rigid piston in a closed box, at an angle in degrees.

    Second-order high-pass (closed box, Small 1972) times the directivity 2 J1(x)/x, x = k a sin(angle), of a piston
    in a baffle (Kinsler et al., Fundamentals of Acoustics, 7.4); 90 dB in the pass band.
    """
    s = 1j * frequency / CORNER
    x = 2 * np.pi * frequency / SPEED * RADIUS * np.abs(np.sin(np.deg2rad(angle)))
    with np.errstate(invalid="ignore", divide="ignore"):
        directivity = np.where(x > 1e-9, 2 * j1(x) / x, 1.0)
    response = s**2 / (1 + s / QUALITY + s**2) * directivity
    return 90 + 20 * np.log10(np.abs(response)), np.rad2deg(np.angle(response))


@dataclass(frozen=True)
class Style:
    separator: str = "\t"
    decimal: str = "."
    encoding: str = "utf-8"
    line_end: str = "\n"
    header: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    trailing: str = ""
    last_line_end: bool = True
    places: int = 3


def as_text(columns, style=Style()):
    rows = (
        style.separator.join(f"{value:.{style.places}f}".replace(".", style.decimal) for value in row) + style.trailing
        for row in zip(*columns, strict=True)
    )
    text = style.line_end.join([*style.header, *rows, *style.footer])
    return text + style.line_end * style.last_line_end


def write(path: Path, columns, style=Style()) -> Path:
    path.write_bytes(as_text(columns, style).encode(style.encoding))
    return path


def write_orbits(folder: Path, frequency, angles=(-30, 0, 30), style=Style(), with_phase=True) -> list[Path]:
    paths = []
    for plane in ("hor", "ver"):
        for angle in angles:
            level, phase = piston_box(frequency, angle)
            columns = (frequency, level, phase) if with_phase else (frequency, level)
            paths.append(write(folder / f"oak {plane} {angle}.txt", columns, style))
    return paths
