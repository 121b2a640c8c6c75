"""A campaign of recordings through the whole chain: what is published is the loudspeaker that was recorded.

The loudspeaker is known in closed form (see capture_files): a polynomial, a chain of filters, a first-order pattern
0.7 + 0.3 cos. It is recorded as a lab does it: through an interface that is late and not flat, with its loopback on the
second channel, by a microphone that has its own response, after a sound calibrator: the listening window at 2.83 V, and
a ramp of drives on the axis, up and back again, in which drives are repeated.
"""

import json
from functools import lru_cache

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfreqz

from anechain.data.store import read_dataset, read_receipt
from capture_files import LAW, ORDERS, RATE, chain, delayed, first_order, record_loudspeaker, sweep, write
from finished_campaigns import run_all

LATE = 0.0113
"""Seconds that the interface is late on both channels."""
TERMINALS, LOOPBACK, CALIBRATED = 5.66, 20.0, 94.0
"""Volts r.m.s. of the sweep at an amplitude of 1, volts to full scale of the loopback, dB of the calibrator."""
TONE = 0.05
"""R.m.s. of the calibrator's tone in the recording; 94 dB are 1.0023745 Pa, so full scale stands for 20.047 Pa."""
AMPLITUDES = {
    1.415: np.array([0.243994140625, 0.001171875]),
    2.83: np.array([0.4896875, 0.00525, 7.8125e-4]),
    5.66: ORDERS[1:4],
}
"""Amplitude of each harmonic by volts, by hand from the polynomial's coefficients 0.975, 0.036, 0.02, 0.024 and 0.016:
h1 = 0.975 A + 3/4 0.02 A^3 + 10/16 0.016 A^5, h2 = (0.036 A^2 + 0.024 A^4) / 2."""
MICROPHONE = butter(1, 18_000.0, "lowpass", fs=RATE, output="sos")
INTERFACE = butter(1, 8.0, "highpass", fs=RATE, output="sos")
OFF_AXIS = (*(("horizontal", angle) for angle in (-30, -20, -10, 10, 20, 30)), ("vertical", -10), ("vertical", 10))
RAMP = ((1.415, 0), (2.83, 30), (5.66, 60), (2.83, 90), (1.415, 400))
"""Volts on the axis in the order they were measured, and seconds after the first."""

CAMPAIGN = f"""\
anechain: 1
title: Trial halls
figures: {{formats: [], of_devices: [curves]}}
devices:
  yew:
    title: Yew
    kind: known filter
    responses:
      files: ["raw/*.wav"]
      options:
        manifest: list.csv
        sweep: {json.dumps(LAW)}
        loopback: 2
        loopback_volts: {LOOPBACK}
        calibrator: calibration/calibrator.wav
        calibrator_level: {CALIBRATED}
        microphone: calibration/microphone.txt
        window: {{before: 2, after: 120, fade: 40}}
        harmonics: {{orders: 3}}
        response_drive: "2.83"
    setup: {{distance: 2, environment: hall without walls, valid_band: [40, 18000]}}
"""


@lru_cache
def recorded(volts):
    """Microphone and loopback on the axis, without noise."""
    amplitude = volts / TERMINALS
    played = np.concatenate([amplitude * sweep(), np.zeros(RATE)])
    sound = record_loudspeaker(amplitude * sweep(), orders=ORDERS)
    electrical = played * np.sqrt(2) * TERMINALS / LOOPBACK
    return [sosfilt(INTERFACE, delayed(channel, LATE)) for channel in (sosfilt(MICROPHONE, sound), electrical)]


def record(path, volts, seed, gain=1.0):
    """Write a recording; `gain` is that of the direction, and each has its own noise."""
    microphone, loopback = recorded(volts)
    noise = 1e-5 * np.random.default_rng(seed).standard_normal(microphone.size)
    write(path, gain * microphone + noise, loopback)


def make(folder):
    """Raw recordings, calibration, manifest and campaign file."""
    rows = ["file,plane,angle,drive,take,order,started"]
    for seed, (plane, angle) in enumerate(OFF_AXIS):
        name = f"{plane} {angle}.wav"
        record(folder / "raw" / name, 2.83, seed, first_order(angle))
        rows.append(f"{name},{plane},{angle},2.83,,,")
    for place, (volts, seconds) in enumerate(RAMP, start=1):
        name = f"axis {place}.wav"
        record(folder / "raw" / name, volts, 10 + place)
        rows.append(f"{name},horizontal,0,{volts},{place},{place},{seconds}")
    (folder / "list.csv").write_text("\n".join(rows) + "\n")
    tone = np.sqrt(2) * TONE * np.sin(2 * np.pi * 1000.0 * np.arange(2 * RATE) / RATE)
    write(folder / "calibration" / "calibrator.wav", sosfilt(INTERFACE, tone))
    grid = 1000 * 2.0 ** (np.arange(-64, 53) / 12)
    own = sosfreqz(MICROPHONE, grid, fs=RATE)[1]
    table = zip(grid, 20 * np.log10(np.abs(own)), np.angle(own, deg=True), strict=True)
    lines = "".join(f"{f:.4f} {level:.5f} {phase:.4f}\n" for f, level, phase in table)
    (folder / "calibration" / "microphone.txt").write_text(lines)
    (folder / "campaign.yaml").write_text(CAMPAIGN)
    return folder / "campaign.yaml"


def expected(frequency, amplitude):
    """Level at 2 m in closed form of a harmonic of that amplitude, referred to 1 m: 6.0206 dB more."""
    pascals = 20e-6 * 10 ** (CALIBRATED / 20) / TONE
    size = amplitude * np.abs(chain(frequency, 0.2)) / np.sqrt(2) * pascals
    return 20 * np.log10(size / 20e-6) + 6.0206


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("captures")
    run_all(make(folder))
    return folder / "results"


@pytest.fixture(scope="module")
def curves(results):
    return read_dataset(results / "yew" / "curves.nc")


def within(curves, low=60, high=15_000):
    return (curves.frequency.values >= low) & (curves.frequency.values <= high)


def test_the_published_axis_is_the_loudspeakers(curves):
    """Within 0.05 dB from 60 Hz to 15 kHz, absolute: interface, microphone, delay and distance taken out."""
    assert curves.attrs["level_kind"] == "spl"
    assert (curves.attrs["distance"], curves.attrs["drive"]) == (1.0, 2.83)
    apart = curves.level.sel(curve="on_axis").values - expected(curves.frequency.values, AMPLITUDES[2.83][0])
    assert np.abs(apart[within(curves)]).max() < 0.05


def test_the_listening_window_is_that_of_the_pattern(curves):
    """Mean square of 0.7 + 0.3 cos over the nine directions, 0.1301 dB below the axis, within 0.005 dB."""
    apart = (curves.level.sel(curve="listening_window") - curves.level.sel(curve="on_axis")).values
    assert np.abs(apart + 0.1301)[within(curves)].max() < 0.005


def test_what_was_not_recorded_is_a_gap_with_its_reason(curves):
    assert "sound_power" in json.loads(curves.attrs["gaps"]) and "sound_power" not in curves.curve


def test_harmonics_are_in_their_own_file(results):
    """Closed form (Chebyshev) at each drive: the fundamental within 0.02 dB, others within 0.1.

    Order n is read at n times the excitation's frequency.
    """
    data = read_dataset(results / "yew" / "harmonics.nc")
    assert data.drive.values.tolist() == [1.415, 2.83, 5.66] and data.takes.values.tolist() == [2, 2, 1]
    assert data.attrs["level_kind"] == "spl" and data.attrs["measured_distance"] == 2
    frequency = data.frequency.values
    for drive, order in ((1.415, 1), (2.83, 1), (2.83, 2), (5.66, 1), (5.66, 2), (5.66, 3)):
        valid = (frequency > 150) & (order * frequency < 14_000)
        level = data.level.sel(drive=drive, order=order).values
        apart = level - expected(order * frequency, AMPLITUDES[drive][order - 1])
        assert np.abs(apart[valid]).max() < (0.02 if order == 1 else 0.1)
    assert np.isfinite(data.level_std.sel(drive=[1.415, 2.83], order=1, frequency=1000)).all()
    assert np.isnan(data.level_std.sel(drive=5.66)).all()


def test_takes_are_in_their_own_file_in_order(results):
    takes = read_dataset(results / "yew" / "takes.nc")
    assert takes.recording.values.tolist() == [f"axis {place}.wav" for place in range(1, 6)]
    assert list(zip(takes.drive.values, takes.started.values, strict=True)) == list(RAMP)
    assert takes.attrs["distance"] == 1 and takes.attrs["measured_distance"] == 2
    found = takes.level.sel(frequency=1000).values
    closed = [expected(np.array([1000.0]), AMPLITUDES[volts][0])[0] for volts, _ in RAMP]
    np.testing.assert_allclose(found, closed, atol=0.01)


def test_responses_have_repeatability_and_a_report(results):
    data = read_dataset(results / "yew" / "responses.nc")
    assert int(data.takes.sel(plane="horizontal", angle=0)) == 2
    assert int(data.takes.sum()) == len(OFF_AXIS) + 2 * 2  # the axis stands for both orbits
    assert set(data.attrs["datasets"].split()) == {"axis", "harmonics", "takes"}
    for line in (
        "calibrator of 94 dB at 1000.0 Hz",
        "microphone corrected",
        "electrical loopback",
        "2 takes of 1 of 9",
    ):
        assert line in data.attrs["import_report"]


def test_the_page_is_there_and_everything_goes_back_to_the_recordings(results):
    page = results / "report" / "index.html"
    assert "Yew" in page.read_text()
    receipt = read_receipt(results / "yew" / "curves.nc")
    roles = {entry["role"] for step in receipt["steps"].values() for entry in step["inputs"]}
    for name in (
        "raw/axis 1.wav",
        "raw/vertical -10.wav",
        "list.csv",
        "calibration/calibrator.wav",
        "calibration/microphone.txt",
    ):
        assert f"raw:{name}" in roles
