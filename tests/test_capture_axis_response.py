"""The axis at all frequencies that the window resolves, from recordings of a loudspeaker in closed form."""

import numpy as np
import pytest

import capture_files
from anechain.acoustics.phase.excess_phase import excess_phase
from anechain.acoustics.phase.group_delay import group_delay
from anechain.data import contract
from anechain_capture.options import CaptureOptions
from anechain_capture.read import read
from capture_files import LAW, RATE, chain, delayed, orbit, record_loudspeaker, sweep, write

PATTERN = "yew {plane} {angle}.wav"
GATE = {"shape": "hann", "before": 2, "after": 120, "fade": 40}


def read_with(paths, **more):
    return read(paths, CaptureOptions(**({"pattern": PATTERN, "sweep": LAW, "window": GATE} | more)))


@pytest.fixture(scope="module")
def orbits(tmp_path_factory):
    return orbit(tmp_path_factory.mktemp("yew"), angles=(0, 90), planes=("horizontal",))


@pytest.fixture(scope="module")
def reading(orbits):
    return read_with(orbits)


def test_level_and_phase_are_those_of_the_loudspeaker(reading):
    """Within 0.05 dB and 2 degrees from 100 Hz to 15 kHz, in steps of a sixteenth of the lowest valid frequency."""
    axis = reading.axis
    frequency = axis["frequency"].values
    step = reading.responses.attrs["valid_low"] / 16
    np.testing.assert_allclose(np.diff(frequency), step, rtol=1e-3)
    known = chain(frequency, 0.2)
    inside = (frequency > 100) & (frequency < 15_000)
    np.testing.assert_allclose(axis["level"].values[inside], 20 * np.log10(np.abs(known))[inside], atol=0.05)
    turned = np.angle(np.exp(1j * np.deg2rad(axis["phase"].values)) / known)[inside]
    # The arrival is 20 dB below the maximum, a little before it: a delay is left.
    delay = np.polyfit(frequency[inside], np.unwrap(turned), 1)
    assert np.rad2deg(np.abs(np.unwrap(turned) - np.polyval(delay, frequency[inside]))).max() < 2.0
    assert abs(delay[0] / (2 * np.pi)) < 1e-4
    attributes = {"device": "yew", "title": "Yew", "importer": "capture", "importer_version": "1", "import_report": ""}
    contract.validate(contract.describe(axis.assign_attrs(attributes), "axis"), "axis", "yew")
    assert any(f"on the axis also in steps of {step:.4g} Hz" in line for line in reading.report)


def test_the_same_grid_has_no_second_dataset(orbits):
    assert read_with(orbits, grid="native").axis is None


def test_an_impulse_response_and_the_microphone(tmp_path):
    """A file that holds the response itself; a microphone 6 dB high everywhere is taken out."""
    impulse = np.zeros(RATE)
    impulse[0] = 0.2
    from scipy.signal import sosfilt

    write(tmp_path / "yew horizontal 0.wav", delayed(sosfilt(capture_files.SECTIONS, impulse), 0.004))
    (tmp_path / "microphone.txt").write_text("50 6 0\n18000 6 0\n")
    how = {"content": "impulse response", "sweep": None, "sensitivity": 1.0, "microphone": tmp_path / "microphone.txt"}
    axis = read_with([tmp_path / "yew horizontal 0.wav"], **how).axis
    frequency = axis["frequency"].values
    assert frequency[0] >= 50 and frequency[-1] <= 18_000
    inside = (frequency > 100) & (frequency < 15_000)
    expected = 20 * np.log10(np.abs(chain(frequency, 0.2)) / 20e-6) - 6
    np.testing.assert_allclose(axis["level"].values[inside], expected[inside], atol=0.05)


def test_off_the_axis_alone_there_is_none(tmp_path):
    paths = orbit(tmp_path, angles=(90,), planes=("horizontal",))
    assert read_with(paths).axis is None


def test_the_excess_group_delay_of_a_recording(tmp_path):
    """A loudspeaker of minimum phase has none, and one that is recorded with an all-pass has that of the all-pass.

    First order, 1 kHz: (2 / w0) / (1 + x²).
    """
    from scipy.signal import bilinear_zpk, zpk2sos

    corner = 2 * np.pi * 1000.0
    all_pass = zpk2sos(*bilinear_zpk([corner], [-corner], -1.0, RATE))
    sections = np.concatenate([capture_files.SECTIONS, all_pass])
    at = np.geomspace(300, 4000, 30)
    for used, truth in (
        (capture_files.SECTIONS, np.zeros(at.size)),
        (sections, 2 / corner / (1 + (at / 1000.0) ** 2)),
    ):
        path = write(tmp_path / "yew horizontal 0.wav", record_loudspeaker(sweep(), sections=used))
        axis = read_with([path]).axis
        frequency = axis["frequency"].values
        band = (frequency >= 25) & (frequency <= 18_000)
        found = excess_phase(frequency[band], axis["level"].values[band], axis["phase"].values[band])
        np.testing.assert_allclose(group_delay(frequency[band], found.excess, at), truth, atol=2.5e-5)
