"""Sound files: what is whole is read to the last bit, what is not is refused."""

import struct

import numpy as np
import pytest
import soundfile

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE
from anechain_capture.identify import identify
from anechain_capture.sound_files import read_header, read_samples

RATE = 44100
WAVE = np.stack([np.sin(np.arange(RATE) / 30), 0.5 * np.cos(np.arange(RATE) / 11)]) * 0.9


def written(folder, form="WAV", subtype="PCM_24", values=WAVE):
    path = folder / f"take.{form.lower()}"
    soundfile.write(path, values.T, RATE, subtype=subtype, format=form)
    return path


def refused(path, channels=(1,)):
    with pytest.raises(InputError) as caught:
        read_samples(path, "take", read_header(path, "take"), channels)
    (problem,) = caught.value.problems
    assert problem.where == "take" and problem.fix
    return problem.what


@pytest.mark.parametrize(
    ("form", "subtype", "step"),
    [
        ("WAV", "PCM_16", 2**-15),
        ("WAV", "PCM_24", 2**-23),
        ("WAV", "PCM_32", 2**-31),
        ("WAV", "FLOAT", 2**-24),
        ("WAV", "DOUBLE", 0),
        ("WAVEX", "PCM_24", 2**-23),
        ("RF64", "PCM_24", 2**-23),
        ("FLAC", "PCM_16", 2**-15),
        ("FLAC", "PCM_24", 2**-23),
    ],
)
def test_samples_come_back_within_their_step(tmp_path, form, subtype, step):
    path = written(tmp_path, form, subtype)
    header = read_header(path, "take")
    assert (header.sampling_rate, header.channels, header.samples) == (RATE, 2, RATE)
    found = read_samples(path, "take", header, [2, 1])
    assert found.dtype == np.float64 and np.abs(found - WAVE[::-1]).max() <= step
    assert identify(path).confidence == LIKELY


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64", "FLAC"])
@pytest.mark.parametrize("share", [0.0005, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_anywhere_is_refused(tmp_path, form, share):
    """Half a second of silence at the end of a recording must not look like a shorter recording."""
    path = written(tmp_path, form)
    data = path.read_bytes()
    path.write_bytes(data[: max(int(share * len(data)), 14)])
    what = refused(path)
    assert "cut short" in what or "sound file" in what or "damaged" in what
    assert identify(path).confidence <= LIKELY


def test_a_header_that_was_never_completed_is_refused(tmp_path):
    """As a recorder leaves it that lost its power: the size of the samples stands at zero, or at all ones."""
    path = written(tmp_path)
    data = path.read_bytes()
    at = data.index(b"data") + 4
    for size in (0, 0xFFFFFFFF):
        path.write_bytes(data[:at] + struct.pack("<I", size) + data[at + 4 :])
        assert "never completed" in refused(path)
        assert identify(path).confidence == POSSIBLE


def test_chunks_before_and_after_the_samples_do_no_harm(tmp_path):
    """A chunk of odd length is padded to an even one (RIFF)."""
    path = written(tmp_path)
    data = path.read_bytes()
    at = data.index(b"data")
    note = b"note" + struct.pack("<I", 3) + b"abc\0"
    longer = data[:at] + note + data[at:] + note
    path.write_bytes(longer[:4] + struct.pack("<I", len(longer) - 8) + longer[8:])
    found = read_samples(path, "take", read_header(path, "take"), [1])
    assert np.abs(found[0] - WAVE[0]).max() <= 2**-23


def test_a_damaged_flac_is_refused(tmp_path):
    path = written(tmp_path, "FLAC")
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 64] = b"\xff" * 64
    path.write_bytes(bytes(data))
    assert "damaged" in refused(path)


@pytest.mark.parametrize(
    ("form", "subtype", "what"),
    [("AIFF", "PCM_16", "a AIFF file"), ("WAV", "ULAW", "encoded as U-Law"), ("WAV", "IMA_ADPCM", "IMA ADPCM")],
)
def test_lossy_and_other_formats_are_refused(tmp_path, form, subtype, what):
    assert what in refused(written(tmp_path, form, subtype))


@pytest.mark.parametrize(
    ("values", "channels", "what"),
    [
        (WAVE, (3,), "channel 3 is needed, but the file has 2"),
        (WAVE * [[1], [0]], (2,), "channel 2 has only zeros"),
        (np.where(np.arange(RATE) == 9, np.inf, WAVE), (1,), "sample 10 of channel 1 is not a number"),
    ],
)
def test_channels_without_a_signal_are_refused(tmp_path, values, channels, what):
    assert refused(written(tmp_path, subtype="FLOAT", values=values), channels) == what


def test_a_file_without_samples(tmp_path):
    assert refused(written(tmp_path, values=WAVE[:, :0])) in ("has no samples", NEVER)


NEVER = "its header was never completed: it does not state the length of the recording"


@pytest.mark.parametrize("junk", [b"x", b"RIFF", b"RIFF\0\0\0\0AVI LIST", b"fLa", bytes(range(256)) * 10])
def test_junk_is_no_sound_file(tmp_path, junk):
    path = tmp_path / "junk.wav"
    path.write_bytes(junk)
    assert identify(path).confidence == NO
    assert identify(tmp_path / "absent.wav").confidence == NO
