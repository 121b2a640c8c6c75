"""Multitone recordings through the importer and the import: products of a polynomial in closed form, at 1 m."""

import numpy as np
import pytest

from anechain.data import contract
from anechain.data.checks import BAD, GOOD
from anechain.data.store import read_dataset
from anechain.errors import InputError
from anechain.importing.importers import find_importers
from anechain.running.prepare import prepare
from anechain.stages.ingest import run
from anechain_capture.multitone import read_multitone
from anechain_capture.options import CaptureOptions
from campaigns import campaign
from capture_files import RATE, write
from test_intermodulation import A, B, products, two_tones

TONES = (1000.3, 1410.7)
SILENCE = 1e-5
PASCALS = 20.0


def write_all(folder, seconds=3.0):
    """Two drives: at 1 V a linear device, at 2 V the polynomial; and a silence of known power."""
    clean = two_tones(*TONES, seconds=seconds, quadratic=0.0, cubic=0.0)
    bent = two_tones(*TONES, seconds=seconds)
    noise = SILENCE * np.random.default_rng(2).standard_normal(clean.size)
    write(folder / "silence.wav", noise, subtype="FLOAT")
    return [
        write(folder / f"yew horizontal 0 {drive}V.wav", signal, subtype="FLOAT")
        for drive, signal in (("1", clean), ("2", bent))
    ]


def options(folder=None, **more):
    how = {"pattern": "yew {plane} {angle} {drive}.wav", "content": "multitone", "sensitivity": PASCALS}
    how |= {"multitone": {"tones": TONES, "settle": 0.5, "bands_per_octave": 12}}
    if folder is not None:
        how["silence"] = folder / "silence.wav"
    return CaptureOptions(**(how | more))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("tones")
    write_all(place)
    return place


@pytest.fixture(scope="module")
def reading(folder):
    return read_multitone(sorted(folder.glob("yew*.wav")), options(folder))


def spl(mean_square):
    return 10 * np.log10(mean_square * PASCALS**2 / 20e-6**2)


def test_tones_and_products_are_those_of_the_polynomial(reading):
    data = reading.multitone
    # Tones through x + a x^2 + b x^3: A (1 + 3/4 b A^2 + 3/2 b B^2).
    cubic = -0.04
    tones = A * (1 + 0.75 * cubic * A**2 + 1.5 * cubic * B**2), B * (1 + 0.75 * cubic * B**2 + 1.5 * cubic * A**2)
    np.testing.assert_allclose(data.tone_level.sel(drive=2), spl(np.square(tones) / 2), atol=0.001)
    np.testing.assert_allclose(data.tone_level.sel(drive=1), spl(np.square([A, B]) / 2), atol=0.001)
    assert float(data.level.sel(drive=1)) == pytest.approx(spl((A**2 + B**2) / 2), abs=0.001)
    total = sum(np.square(list(products(*TONES).values()))) / 2
    expected = 10 * np.log10(total / (np.square(tones).sum() / 2))
    assert float(data.ratio.sel(drive=2)) == pytest.approx(expected, abs=0.01)
    # Samples of single precision: 24 bits.
    assert float(data.ratio.sel(drive=1)) < -140
    assert data.attrs["level_kind"] == "spl"


def test_the_noise_is_that_of_the_silence(reading):
    """White noise of sigma^2 over half the sampling rate: sigma^2 b / (rate / 2) in a band of width b."""
    data = reading.multitone
    centre = data.frequency.values
    width = centre * (10 ** (0.3 / 24) - 10 ** (-0.3 / 24))
    expected = spl(SILENCE**2 * width / (RATE / 2))
    wide = width > 100
    np.testing.assert_allclose(data.noise.values[0][wide], expected[wide], atol=1.5)
    assert np.mean(data.noise.values[0][wide] - expected[wide]) == pytest.approx(0, abs=0.3)


def test_without_silence_and_calibration_the_report_has_lines(folder):
    found = read_multitone(sorted(folder.glob("yew*.wav")), options(sensitivity=None))
    report = "\n".join(found.report)
    assert "noise between the tones missing" in report and "levels are relative" in report
    assert np.isnan(found.multitone.noise).all() and found.multitone.attrs["level_kind"] == "relative"
    # A full-scale sine is 0 dB.
    np.testing.assert_allclose(found.multitone.tone_level.sel(drive=1), 20 * np.log10([A, B]), atol=0.001)


def test_the_microphone_is_corrected_at_tones_and_bands(folder, tmp_path):
    (tmp_path / "microphone.txt").write_text("20 3\n20000 3\n")
    flat = read_multitone(sorted(folder.glob("yew*.wav")), options(folder)).multitone
    found = read_multitone(sorted(folder.glob("yew*.wav")), options(folder, microphone=tmp_path / "microphone.txt"))
    np.testing.assert_allclose(found.multitone.tone_level, flat.tone_level - 3, atol=1e-9)
    # Of the linear device only rounding is left, in bands at the calibration's ends too.
    assert float(found.multitone.ratio.sel(drive=2)) == pytest.approx(float(flat.ratio.sel(drive=2)), abs=1e-6)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"multitone": None}, "option `multitone` is missing"),
        ({"content": "sweep", "sweep": {"start": 20, "stop": 20000, "duration": 1}}, "option `multitone` for another"),
        ({"harmonics": {}}, "option `harmonics` for multitone"),
        ({"multitone": {"tones": TONES, "settle": 5}}, "nothing is left"),
        ({"multitone": {"tones": (1000, 1005)}}, "need a record of"),
    ],
)
def test_wrong_input_is_refused(folder, more, words):
    with pytest.raises(InputError, match=words):
        read_multitone(sorted(folder.glob("yew*.wav")), options(folder, **more))


def test_other_directions_and_unknown_drives_are_refused(tmp_path):
    signal = two_tones(*TONES)
    paths = [write(tmp_path / f"yew horizontal {angle}.wav", signal) for angle in (0, 30)]
    how = options(pattern="yew {plane} {angle}.wav")
    with pytest.raises(InputError) as caught:
        read_multitone(paths, how)
    message = "\n".join(map(str, caught.value.problems))
    assert "at 30°" in message and "its drive is not known" in message


def checked(folder, **more):
    return {
        check.id: check for check in read_multitone(sorted(folder.glob("yew*.wav")), options(folder, **more)).checks
    }


def test_tones_and_drives_as_stated(tmp_path):
    write_all(tmp_path)
    louder = 2 * two_tones(*TONES, seconds=3.0, quadratic=0.0, cubic=0.0)
    write(tmp_path / "yew horizontal 0 2V.wav", louder, subtype="FLOAT")
    found = checked(tmp_path)
    assert found["tones"].verdict == GOOD and found["drive"].verdict == GOOD
    found = checked(tmp_path, pattern="yew {plane} {angle} {drive}V.wav", drives={"2": 20.0})
    assert found["drive"].verdict == BAD and "20 V -20.0 dB" in found["drive"].found


@pytest.mark.parametrize("tones", [(1000.3, 1510.7), (700.3, 1000.3), (1000.3, 1410.7, 2500.9)])
def test_a_tone_that_is_not_the_one_played(folder, tones):
    found = checked(folder, multitone={"tones": tones, "settle": 0.5, "bands_per_octave": 12})["tones"]
    assert found.verdict == BAD and "either a tone that was played is not listed" in found.found


def test_the_importer_gives_multitone():
    assert "multitone" in find_importers()[0]["capture"].description.sources


def test_a_campaign_with_multitone_beside_the_responses(tmp_path):
    """multitone.nc beside responses.nc, referred from 2 m to 1 m: 6.02 dB more; the ratio as it is."""
    write_all(tmp_path / "raw" / "tones")
    file = campaign(tmp_path, (("rowan", 1.0),))
    file.write_text(
        file.read_text()
        + f"""\
    multitone:
      files: ["raw/tones/yew*.wav"]
      options: {{pattern: "yew {{plane}} {{angle}} {{drive}}.wav", content: multitone, sensitivity: {PASCALS},
                multitone: {{tones: [1000.3, 1410.7]}}, silence: raw/tones/silence.wav}}
"""
    )
    plan = prepare(file)
    done = run(plan, "rowan")
    assert "multitone.nc" in [path.name for path in done.outputs]
    data = read_dataset(plan.results / "rowan" / "multitone.nc")
    contract.validate(data, "multitone", "rowan")
    assert data.attrs["measured_distance"] == 2 and data.attrs["distance"] == 1
    step = 20 * np.log10(2)
    np.testing.assert_allclose(data.tone_level.sel(drive=1), spl(np.square([A, B]) / 2) + step, atol=0.01)
    alone = read_multitone(
        sorted((tmp_path / "raw" / "tones").glob("yew*.wav")),
        options(tmp_path / "raw" / "tones", multitone={"tones": TONES}),
    ).multitone
    np.testing.assert_allclose(data.ratio, alone.ratio, atol=1e-9)
    for variable in ("tones", "between", "noise", "level"):
        np.testing.assert_allclose(data[variable], alone[variable] + step, atol=1e-9)
    assert not run(plan, "rowan").made
