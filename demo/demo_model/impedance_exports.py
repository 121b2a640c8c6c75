"""Exports of the electrical impedance in the formats of four instruments: bytes of text files."""

from __future__ import annotations

import numpy as np

from demo_model.impedance import impedance
from demo_model.loudspeakers import LOUDSPEAKERS

__all__ = ["impedance_files"]

_FREQUENCY = np.round(np.geomspace(10.0, 20_000.0, 320), 2)


def impedance_files() -> dict[str, bytes]:
    """Return one file for each loudspeaker.

    - rowan: the German analyser; tabs, decimal commas, Latin-1, CRLF.
    - alder and hazel: the workshop's own script; commas, UTF-8.
    - hornbeam: a component bridge that exports real and imaginary part over kilohertz; semicolons, decimal commas.
    - willow: a voltmeter and a known resistor, without phase; semicolons, UTF-16.
    """
    z = {name: impedance(loudspeaker.terminals, _FREQUENCY) for name, loudspeaker in LOUDSPEAKERS.items()}
    hertz = [f"{value:.2f}" for value in _FREQUENCY]

    def polar(name: str) -> list[tuple[str, str, str]]:
        phase = np.rad2deg(np.angle(z[name]))
        # Adding zero turns -0.0 into 0.0.
        pairs = zip(np.abs(z[name]), np.round(phase, 2) + 0.0, strict=True)
        return [(f, f"{ohm:.3f}", f"{degrees:.2f}") for f, (ohm, degrees) in zip(hertz, pairs, strict=True)]

    head = ["Prüfling:\tEberesche (Rowan)", "Messspannung:\t0,50 V", "", "Frequenz [Hz]\tImpedanz [Ohm]\tPhase [°]"]
    rowan = [*head, *("\t".join(row).replace(".", ",") for row in polar("rowan"))]
    script = {
        name: ["frequency_hz,impedance_ohm,phase_deg", *(",".join(row) for row in polar(name))]
        for name in ("alder", "hazel")
    }
    parts = np.round(np.stack([z["hornbeam"].real, z["hornbeam"].imag]), 4) + 0.0
    bridge = zip(_FREQUENCY / 1000, *parts, strict=True)
    hornbeam = ["f;R;X", "kHz;Ohm;Ohm", *(f"{f:.5f};{r:.4f};{x:.4f}".replace(".", ",") for f, r, x in bridge)]
    willow = ["0.5 V", "Hz;Ohm", *(f"{f};{ohm}" for f, ohm, _ in polar("willow"))]
    return {
        "raw/impedance/rowan.txt": ("\r\n".join(rowan) + "\r\n").encode("latin-1"),
        **{f"raw/impedance/{name}.csv": ("\n".join(lines) + "\n").encode() for name, lines in script.items()},
        "raw/impedance/hornbeam.csv": ("\n".join(hornbeam) + "\n").encode(),
        "raw/impedance/willow.txt": b"\xff\xfe" + ("\r\n".join(willow) + "\r\n").encode("utf-16-le"),
    }
