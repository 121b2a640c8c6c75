"""Calibration files of microphones, and what is no calibrator's recording."""

import numpy as np
import pytest

from anechain.errors import InputError
from anechain_capture.microphone import microphone_response, pascals_per_full_scale
from anechain_capture.options import CaptureOptions
from capture_files import RATE, write

TONE = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(2 * RATE) / RATE)


@pytest.mark.parametrize(
    "text",
    ["20 -1.5\n1000 0\n20000 2\n", "\ufeffHz\tdB\n20\t-1.5\n1000\t0\n20000\t2", "* no. 7\n20,-1.5\n\n1000;0\n2e4 2\n"],
)
def test_rows_of_two(tmp_path, text):
    path = tmp_path / "microphone.txt"
    path.write_text(text, encoding="utf-8")
    found = microphone_response(path, "response")
    assert found.frequency.tolist() == [20, 1000, 20000] and found.level.tolist() == [-1.5, 0, 2]
    assert found.phase is None
    assert microphone_response(path, "correction").level.tolist() == [1.5, 0, -2]


def test_rows_of_three_have_a_phase(tmp_path):
    path = tmp_path / "microphone.txt"
    path.write_text("20 -1.5 30\n1000 0 0\n")
    assert microphone_response(path, "response").phase.tolist() == [30, 0]
    assert microphone_response(path, "correction").phase.tolist() == [-30, 0]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("20 1\n20 2\n", "line 2: the frequency 20 Hz is not above the previous one, or not above 0 Hz"),
        ("0 1\n20 2\n", "line 1: the frequency 0 Hz is not above the previous one, or not above 0 Hz"),
        ("20 1\n30 2 3\n", "line 2: '30 2 3'"),
        ("20 1\n30 nan\n", "line 2: '30 nan'"),
        ("20 1\n30 x\n", "line 2: '30 x' is not a row of numbers"),
        ("Hz dB\n20 1\n", "no calibration"),
        ("", "no calibration"),
    ],
)
def test_wrong_calibration_files_are_refused(tmp_path, text, what):
    path = tmp_path / "microphone.txt"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        microphone_response(path, "response")
    (problem,) = caught.value.problems
    assert (problem.where, problem.what) == ("microphone.txt", what)


@pytest.mark.parametrize(
    ("record", "what"),
    [
        (TONE + 0.05 * np.random.default_rng(1).standard_normal(TONE.size), "% of the recording is not the calibrator"),
        (TONE * np.linspace(1, 0.9, TONE.size), "the tone's level varies by 0.8"),
        (TONE[:8000], "not 0.167 s"),
        (0.3 * np.sin(2 * np.pi * 250 * np.arange(2 * RATE) / RATE), "100.0 % of the recording is not"),
    ],
)
def test_wrong_calibrator_recordings_are_refused(tmp_path, record, what):
    path = write(tmp_path / "calibrator.wav", record)
    with pytest.raises(InputError) as caught:
        pascals_per_full_scale(CaptureOptions(calibrator=path))
    (problem,) = caught.value.problems
    assert problem.where == "calibrator.wav" and what in problem.what


def test_sensitivity_by_option_and_without_calibration():
    assert pascals_per_full_scale(CaptureOptions(sensitivity=3.5))[0] == 3.5
    found, lines = pascals_per_full_scale(CaptureOptions())
    assert found is None and "no calibration given" in lines[0]
