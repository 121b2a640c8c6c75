"""Small campaigns for tests: sources in closed form, written as raw exports of two kinds of gear."""

import contextlib
import io
import os
import subprocess
import sys
from pathlib import Path
from unittest import mock

import numpy as np
import pytest

import physics
from anechain.cli import main

FREQUENCY = 1000 * 2.0 ** np.arange(-4, 4.01, 0.25)
"""Hz, quarter octaves from 62.5 Hz to 16 kHz: coarse, for speed."""


def angle_level(order_weight, angle, frequency=FREQUENCY):
    """First-order pattern A + B cos, A falling with frequency, with a second-order high-pass at 80 Hz; dB at 2 m."""
    x = (frequency / 80.0) ** 4
    low = 10 * np.log10(x / (1 + x))
    omni = order_weight / (1 + (frequency / 2000.0) ** 2)
    pattern = np.abs(omni + (1 - omni) * (1 + np.cos(np.deg2rad(angle))) / 2)
    return 84.0 + low + 20 * np.log10(np.maximum(pattern, 1e-4))


def write_delimited(folder: Path, device: str, weight: float, step: int = 10) -> None:
    """One comma-separated file per direction of both orbits."""
    folder.mkdir(parents=True, exist_ok=True)
    for plane in ("horizontal", "vertical"):
        for angle in physics.orbit_angles(step):
            level = angle_level(weight, angle)
            rows = "".join(f"{f:.6g},{value:.3f}\n" for f, value in zip(FREQUENCY, level, strict=True))
            (folder / f"{device} {plane} {angle:+.0f}.csv").write_text("frequency,level\n" + rows)


def delimited_device(device: str, title: str) -> str:
    """The device's part of a campaign file."""
    return f"""\
  {device}:
    title: {title}
    kind: first-order source
    responses:
      files: ["raw/{device}/*.csv"]
      options: {{pattern: "{device} {{plane}} {{angle}}.csv"}}
    setup: {{level_kind: spl, distance: 2, drive: 2.83, valid_band: [80, 16000]}}
"""


def campaign(folder: Path, devices=(("rowan", 1.0), ("alder", 0.6)), formats="[]", extra: str = "") -> Path:
    """Write raw exports and campaign file; return the campaign file."""
    # Few figures: they take most of a run's time, and are looked at elsewhere.
    drawn = f"figures: {{formats: {formats}, of_devices: [curves, map-horizontal]}}"
    text = f"anechain: 1\ntitle: Trial halls\n{drawn}\n{extra}devices:\n"
    for device, weight in devices:
        write_delimited(folder / "raw" / device, device, weight)
        text += delimited_device(device, device.title())
    (folder / "campaign.yaml").write_text(text)
    return folder / "campaign.yaml"


def anechain(*arguments, cwd=None, env=None, check=True):
    """Run a command: `run` in a process of its own, the others in this one, which takes a tenth of the time."""
    words = ["anechain", *map(str, arguments)]
    if words[1] == "run" or env:
        done = subprocess.run(
            [sys.executable, "-m", *words],
            cwd=cwd,
            env={**os.environ, **(env or {})},
            capture_output=True,
            text=True,
        )
    else:
        done = _in_this_process(words, cwd)
    assert "Traceback" not in done.stderr + done.stdout, done.stderr
    if check:
        assert done.returncode == 0, done.stderr + done.stdout
    return done


def _in_this_process(words, cwd):
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(cwd or "."),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        mock.patch.object(sys, "argv", words),
        pytest.raises(SystemExit) as ended,
    ):
        main()
    return subprocess.CompletedProcess(words, ended.value.code, out.getvalue(), err.getvalue())


def snapshot(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Date and content of every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_mtime_ns, path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
