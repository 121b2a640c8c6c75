"""Deconvolution: closed forms, an independent implementation, and a published measurement with its published result."""

import io
import os
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from anechain.acoustics.recording.deconvolution import (
    deconvolve,
    deconvolve_with_references,
    inverse_spectrum,
    regularisation,
    transform_length,
)
from anechain.acoustics.recording.sweeps import swept_sine

RATE = 48000
SWEEP = swept_sine("exponential", 200, 8000, 2048 / RATE, RATE)


def test_regularisation_by_hand():
    """-100 dB inside, 0 dB outside; half way through the half octave a squared sine is at a half."""
    middle = (100 + 100 / np.sqrt(2)) / 2, (1000 + 1000 * np.sqrt(2)) / 2
    share = regularisation([10, 70.7, middle[0], 100, 1000, middle[1], 1415, 5000], (100, 1000), -100, 0)
    np.testing.assert_allclose(share, [1, 1, 0.5, 1e-10, 1e-10, 0.5, 1, 1], rtol=1e-6)
    # Up to the last frequency where that is less than half an octave away, and none above it.
    np.testing.assert_allclose(regularisation([500, 1000, 1100, 1200], (100, 1000), -100, 0), [1e-10, 1e-10, 0.5, 1])
    np.testing.assert_allclose(regularisation([500, 1000], (100, 1000), -100, 0), 1e-10)
    with pytest.raises(ValueError, match="must be ascending"):
        regularisation([1.0], (100, 100), -100, 0)


def test_two_echoes_as_an_independent_implementation_has_them():
    """pyfar 0.8.1: regularized_spectrum_inversion(sweep, (400, 6000)) on 0.5 at 37 and -0.2 at 151 samples.

    It rounds the ends of its cross-fades to bins, which shifts values by less than 0.2 % of the peak.
    """
    played = np.pad(SWEEP, (0, 2048))
    recording = 0.5 * np.roll(played, 37) - 0.2 * np.roll(played, 151)
    inverse = inverse_spectrum(played, 4096, RATE, (400, 6000))
    response = deconvolve(recording, inverse, 4096)
    expected = [-0.005742954857, -0.0140421067, 0.1283312917, 0.1128497958, 0.0006457827928]
    expected += [-0.05090414124, -0.04464086401, 8.990192321e-07, 0.0001168238619]
    np.testing.assert_allclose(response[[0, 30, 37, 38, 100, 151, 152, 1000, 4000]], expected, atol=2e-4)


@given(st.integers(0, 1500), st.floats(-2, 2).filter(lambda gain: abs(gain) > 1e-3))
@settings(max_examples=20)
def test_a_delay_and_a_gain_are_found_exactly(delay, gain):
    """Inside the band the response of a delayed copy is its gain, with the phase of the delay."""
    recording = np.zeros(4096)
    recording[delay : delay + SWEEP.size] = gain * SWEEP
    response = deconvolve(recording, inverse_spectrum(SWEEP, 4096, RATE, (400, 6000)), 4096)
    frequency = np.fft.rfftfreq(4096, 1 / RATE)
    inside = (frequency >= 400) & (frequency <= 6000)
    expected = gain * np.exp(-2j * np.pi * frequency[inside] * delay / RATE)
    np.testing.assert_allclose(np.fft.rfft(response)[inside], expected, rtol=2e-6)


def test_what_both_channels_of_a_loopback_share_cancels_out():
    """An interface with a high-pass and a delay of its own, the same on both channels."""
    interface = butter(2, 300, "highpass", fs=RATE, output="sos")
    reference = sosfilt(interface, np.pad(SWEEP, (100, 4096)))
    recordings = np.stack([0.5 * np.roll(reference, 40), -0.25 * np.roll(reference, 90)])
    length = reference.size
    share = regularisation(np.fft.rfftfreq(length, 1 / RATE), (400, 6000), -100, 0)
    found = deconvolve_with_references(recordings, np.stack([reference, reference]), length, share, workers=2)
    assert np.abs(found).argmax(axis=-1).tolist() == [40, 90]
    frequency = np.fft.rfftfreq(length, 1 / RATE)
    inside = (frequency >= 400) & (frequency <= 6000)
    np.testing.assert_allclose(
        np.abs(np.fft.rfft(found))[:, inside], [[0.5], [0.25]] * np.ones(inside.sum()), rtol=1e-5
    )


def test_batches_threads_and_single_recordings_give_the_same_bytes():
    recordings = np.random.default_rng(3).standard_normal((5, 6000))
    inverse = inverse_spectrum(SWEEP, 6000, RATE, (400, 6000))
    whole = deconvolve(recordings, inverse, 6000, workers=2)
    alone = np.stack([deconvolve(one, inverse, 6000) for one in recordings])
    assert whole.tobytes() == alone.tobytes()


def test_memory_of_batches_does_not_grow_with_their_number():
    recording = np.pad(SWEEP, (0, 2**16))
    inverse = inverse_spectrum(SWEEP, recording.size, RATE, (400, 6000))

    def peak(count):
        tracemalloc.start()
        for _ in range(count):
            deconvolve(recording[np.newaxis].repeat(4, axis=0), inverse, recording.size)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(1)
    assert peak(12) < 1.05 * peak(3)


def test_what_cannot_be_deconvolved():
    inverse = inverse_spectrum(SWEEP, 4096, RATE, (400, 6000))
    with pytest.raises(ValueError, match="recordings of 5000 samples"):
        deconvolve(np.ones(5000), inverse, 4096)
    with pytest.raises(ValueError, match="an excitation of 2048 samples"):
        inverse_spectrum(SWEEP, 1000, RATE, (400, 6000))
    with pytest.raises(ValueError, match="silent"):
        inverse_spectrum(np.zeros(100), 128, RATE, (400, 6000))


def test_a_transform_is_long_enough_and_not_much_longer():
    for samples in (1, 7, 1023, 96001, 2**18 - 1):
        assert samples <= transform_length(samples, 1) <= 1.1 * samples + 2


@pytest.fixture(scope="module")
def published():
    """A loudspeaker in a room, measured with an exponential sweep and its loopback, and the published response.

    Impulse response measurement in the gallery of the pyfar developers (CC BY 4.0): the sweep, both channels, the room
    response after high-pass and window, peak normalised.
    """
    where = os.environ.get("ANECHAIN_REFERENCE_DATA")
    if not where:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set")
    archive = next(Path(where).glob("*/impulse_response_measurement.far"))
    with zipfile.ZipFile(archive) as files:
        loopback, heard = (np.load(io.BytesIO(files.read(f"{name}/_data")))[0] for name in ("x_reference", "y"))
    response, rate = soundfile.read(archive.with_suffix(".wav"))
    return loopback, heard, response, rate


def test_a_published_measurement_gives_its_published_response(published):
    """Its recipe: loopback inverted between 55 Hz and 21 kHz, eighth-order high-pass at 40 Hz, Hann window of 0.6 s
    with 10 ms of rise and 0.1 s of fall. Peak at sample 436, 34.57 dB below the normalised one, the rest below -70 dB.
    """
    loopback, heard, response, rate = published
    length = heard.size
    share = regularisation(np.fft.rfftfreq(length, 1 / rate), (55, 21000), -100, 0)
    found = deconvolve_with_references(heard, loopback, length, share)
    found = sosfilt(butter(8, 40, "highpass", fs=rate, output="sos"), found)[: response.size]
    rise, fall = 441, response.size - 22050
    found[:rise] *= np.hanning(2 * rise)[:rise]
    found[-fall:] *= np.hanning(2 * fall)[fall:]
    gain = response @ found / (found @ found)
    residual = np.linalg.norm(gain * found - response) / np.linalg.norm(response)
    assert np.abs(found).argmax() == np.abs(response).argmax() == 436
    assert 20 * np.log10(gain) == pytest.approx(34.57, abs=0.005)
    assert 20 * np.log10(residual) < -70
