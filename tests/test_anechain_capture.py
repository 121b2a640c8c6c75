"""The importer for raw captures, on recordings of a loudspeaker that is known in closed form."""

import itertools
import shutil
import tracemalloc

import numpy as np
import pytest
import soundfile

import anechain_capture
from anechain.data import contract
from anechain.data.store import read_dataset
from anechain.errors import InputError
from anechain.hooks import LIKELY
from anechain.running.prepare import prepare
from anechain.stages.ingest import run
from anechain_capture.files import HERE
from anechain_capture.options import CaptureOptions
from anechain_capture.read import read
from anechain_capture.recording_set import analyse_recordings
from capture_files import LAW, ORDERS, RATE, chain, delayed, first_order, orbit, record_loudspeaker, sweep, write

PATTERN = "yew {plane} {angle}.wav"
GATE = {"shape": "hann", "before": 2, "after": 120, "fade": 40}
"""Milliseconds: long enough for the fixture's high-pass at 60 Hz to have rung off."""


def options(**more):
    return CaptureOptions(**({"pattern": PATTERN, "sweep": LAW, "window": GATE} | more))


def problems(paths, **more):
    with pytest.raises(InputError) as caught:
        read(paths, options(**more))
    return caught.value.problems


@pytest.fixture(scope="module")
def orbits(tmp_path_factory):
    """Both orbits of a source 0.7 + 0.3 cos, heard after 4 ms, in 24 bits."""
    return orbit(tmp_path_factory.mktemp("yew"))


@pytest.fixture(scope="module")
def reading(orbits):
    return read(orbits, options())


def deviation(dataset, expected, low, high):
    """Greatest difference in dB between a band's levels and what they are known to be."""
    frequency = dataset.frequency.values
    band = (frequency >= low) & (frequency <= high)
    return np.abs(dataset.level.values - expected)[..., band].max()


def closed_form(dataset, gain=0.2):
    """Levels re full scale per full scale, shape (plane, angle, frequency)."""
    level = 20 * np.log10(np.abs(chain(dataset.frequency.values, gain)))
    return level + 20 * np.log10(first_order(dataset.angle.values))[None, :, None]


def test_a_known_loudspeaker_is_recovered(reading):
    """Within 0.02 dB from 100 Hz to 15 kHz, and 0.15 dB from 40 Hz to 19 kHz, beyond which the sweep is faded."""
    data = reading.responses
    # Relative: a full-scale sine was played, and a full-scale sine is 0 dB.
    expected = closed_form(data)
    assert deviation(data, expected, 100, 15000) < 0.02
    assert deviation(data, expected, 40, 19000) < 0.15
    assert data.attrs["level_kind"] == "relative" and "drive" not in data.attrs
    contract_attributes = {"device": "yew", "title": "Yew", "importer": "capture", "importer_version": "1"}
    data = data.assign_attrs(contract_attributes, datasets="none", import_report="\n".join(reading.report))
    contract.validate(contract.describe(data, "responses"), "responses", "yew")


def test_the_delay_is_kept_and_the_phase_has_it_removed(reading):
    """4 ms of delay; the phase that is left is the closed form's, within what the arrival's definition adds."""
    data = reading.responses
    assert data.arrival.dims == ("plane", "angle")
    np.testing.assert_allclose(data.arrival, 0.004, atol=2 / RATE)
    frequency = data.frequency.values
    band = (frequency > 100) & (frequency < 15000)
    for plane in range(2):
        for angle in range(data.sizes["angle"]):
            later = float(data.arrival[plane, angle]) - 0.004
            closed = np.angle(chain(frequency) * np.exp(2j * np.pi * frequency * later), deg=True)
            apart = (data.phase.values[plane, angle] - closed + 180) % 360 - 180
            assert np.abs(apart[band]).max() < 1.0


def test_everything_that_was_not_asked_for_is_reported(reading):
    report = "\n".join(reading.report)
    for line in (
        "no calibration given: levels are relative",
        "microphone not corrected",
        "no loopback",
        "not smoothed",
        "harmonics not separated",
        "hann fades of 2 ms and 40 ms",
        "counted from the start of the recording",
        "regularised by -100 dB within 20 to 20000 Hz",
        "read as WAV, Signed 24 bit PCM, 48000 Hz (8 files",
    ):
        assert line in report
    # One over 120 ms less half the fade.
    assert "lowest valid frequency 10 Hz" in report
    # The end of the sweep at 20 Hz rings longer than this window: a flat response is within 0.5 dB from 30 Hz on only.
    assert reading.responses.attrs["valid_low"] == pytest.approx(30, abs=1.5)
    assert reading.responses.attrs["valid_high"] == 20000
    assert "change a flat response by at most" in report


def test_a_short_window_bounds_the_frequencies(orbits):
    """L3: 5 ms tell nothing below 200 Hz, and no such frequency is in the result."""
    found = read(orbits, options(window={"shape": "rectangular", "before": 1, "after": 5}))
    low = found.responses.attrs["valid_low"]
    assert 200 <= low < 300 and found.responses.frequency.values[0] >= low * (1 - 1e-9)
    assert f"frequencies omitted below {low:g} Hz" in "\n".join(found.report)
    native = read(orbits, options(grid="native", window={"before": 1, "after": 9}))
    np.testing.assert_allclose(np.diff(native.responses.frequency), 100)


def test_a_reflection_is_gated_out_and_stays_without_a_window(tmp_path):
    """0.4 of the pressure, 20 ms later: a comb of 20 lg (1 + 0.4) to 20 lg (1 - 0.4) dB, 50 Hz apart."""
    paths = orbit(tmp_path, angles=(0,), planes=("horizontal",), reflection=(0.02, 0.4))
    gated = read(paths, options(window={"before": 1, "after": 18, "fade": 4})).responses
    expected = closed_form(gated)
    assert deviation(gated, expected, 500, 15000) < 0.05
    whole = read(paths, options(window=None, grid={"low": 500, "high": 4000, "per_octave": 96})).responses
    comb = 20 * np.log10(np.abs(1 + 0.4 * np.exp(-2j * np.pi * whole.frequency.values * 0.02)))
    assert deviation(whole, closed_form(whole) + comb, 500, 4000) < 0.05


@pytest.mark.parametrize(
    ("subtype", "noise", "limit"),
    [("PCM_16", 0.0, 0.05), ("PCM_24", 1e-4, 0.1), ("PCM_32", 0.0, 0.02), ("FLOAT", 0.0, 0.02)],
)
def test_encodings_and_noise(tmp_path, subtype, noise, limit):
    """16 bits, and white noise 64 dB below the recording's peak, cost no more than that between 100 Hz and 15 kHz."""
    record = record_loudspeaker(sweep(), noise=noise)
    path = write(tmp_path / "yew horizontal 0.wav", record, subtype=subtype)
    data = read([path], options()).responses
    assert deviation(data, closed_form(data), 100, 15000) < limit


def test_flac_and_channels_and_a_file_as_excitation(tmp_path):
    """The same, with the microphone on the second channel, as FLAC, the excitation read from its own file."""
    played, record = sweep(), record_loudspeaker(sweep())
    soundfile.write(tmp_path / "yew horizontal 0.flac", np.stack([0.1 * record, record], 1), RATE, subtype="PCM_24")
    write(tmp_path / "played.wav", 0.5 * played, subtype="FLOAT")
    how = {"pattern": "yew {plane} {angle}.flac", "sweep": None, "channel": 2, "excitation": tmp_path / "played.wav"}
    found = read([tmp_path / "yew horizontal 0.flac", tmp_path / "played.wav"], options(**how))
    # Full scale per half of full scale, heard at that half: the level is that of the recording itself.
    assert deviation(found.responses, closed_form(found.responses), 100, 15000) < 0.05
    report = "\n".join(found.report)
    assert "played.wav is named in the options" in report and "amplitude 0.5" in report


def test_a_loopback_takes_out_what_both_channels_share(tmp_path):
    """An interface that delays by 11.3 ms and halves both channels: it is not in the result, nor is its delay."""
    played = np.concatenate([sweep(), np.zeros(RATE)])
    record, loopback = (
        0.5 * delayed(signal, 0.0113) for signal in (record_loudspeaker(sweep(), gain=0.2), 0.8 * played)
    )
    path = write(tmp_path / "yew horizontal 0.wav", record, loopback)
    found = read([path], options(sweep=None, loopback=2, sensitivity=2.0, loopback_volts=10.0, drive=4.0))
    # Per volt: 0.2/0.8 of full scale by 2 Pa, 10 V to full scale; at 4 V.
    expected = closed_form(found.responses, 0.25 * 2.0 / 10.0 * 4.0) - 20 * np.log10(20e-6)
    assert deviation(found.responses, expected, 100, 15000) < 0.02
    assert found.responses.arrival.values[0, 0] == pytest.approx(0.004, abs=2 / RATE)
    assert found.responses.attrs["drive"] == 4.0
    assert "counted from the loopback" in "\n".join(found.report)


def test_a_calibrator_makes_levels_absolute(tmp_path):
    """114 dB are 10.023745 Pa: a tone of r.m.s. 0.05 makes full scale 200.4749 Pa."""
    record = record_loudspeaker(sweep())
    path = write(tmp_path / "yew horizontal 0.wav", record)
    tone = 0.05 * np.sqrt(2) * np.sin(2 * np.pi * 1000 * np.arange(2 * RATE) / RATE)
    how = {"calibrator": write(tmp_path / "114.wav", tone), "calibrator_level": 114, "gain": 20}
    found = read([path], options(**how))
    pascals = 10.023745 / 0.05 / 10
    expected = closed_form(found.responses) - 10 * np.log10(2) + 20 * np.log10(pascals / 20e-6)
    assert deviation(found.responses, expected, 100, 15000) < 0.02
    assert found.responses.attrs["level_kind"] == "spl"
    assert "full scale is 200.47 Pa" in "\n".join(found.report)
    assert "+20 dB" in "\n".join(found.report)


def test_a_microphone_is_corrected_and_not_beyond_its_calibration(tmp_path):
    """A microphone 3 dB up at 10 kHz, straight over log frequency from 1 kHz; its file ends at 10 kHz."""
    path = write(tmp_path / "yew horizontal 0.wav", record_loudspeaker(sweep()))
    own = tmp_path / "microphone.txt"
    own.write_text("* serial 1\nHz dB deg\n50 0 0\n1000 0 0\n10000, 3, 90\n")
    plain = read([path], options()).responses
    for gives, sign in (("response", -1), ("correction", 1)):
        found = read([path], options(microphone=own, microphone_gives=gives))
        data = found.responses
        assert (data.frequency.values[0], data.frequency.values[-1]) == (
            pytest.approx(51.5, abs=2),
            pytest.approx(9740, abs=300),
        )
        step = np.interp(np.log10(data.frequency.values), [3, 4], [0, 3])
        shared = plain.sel(frequency=data.frequency)
        np.testing.assert_allclose(data.level - shared.level, (sign * step)[None, None], atol=1e-9)
        turned = (data.phase - shared.phase - sign * 30 * step + 180) % 360 - 180
        np.testing.assert_allclose(turned, 0, atol=1e-6)
        assert "frequencies omitted below 50 Hz and above 10000 Hz" in "\n".join(found.report)


@pytest.mark.parametrize("kind", ["power", "complex"])
def test_smoothing_is_optional_and_reported(orbits, kind):
    """A response that is straight over a window stays as it is."""
    found = read(orbits, options(smoothing={"fraction": 6, "kind": kind}, grid={"per_octave": 48}))
    assert deviation(found.responses, closed_form(found.responses), 300, 4000) < 0.03
    assert f"smoothed over 1/6 octave ({kind})" in "\n".join(found.report)


def test_harmonics_at_two_drives(tmp_path):
    """Chebyshev polynomials, exact at full drive: order n is h_n |H(n f)|. At half of it, the polynomial's own values.

    At half of the peak: 0.4896875, 0.00525, 7.8125e-4, 1.875e-4, 3.125e-5, from the power coefficients by hand.
    """
    at_half = np.array([0, 0.4896875, 0.00525, 7.8125e-4, 1.875e-4, 3.125e-5])
    for word, amplitude in (("2V83", 1.0), ("1V41", 0.5)):
        record = record_loudspeaker(amplitude * sweep(), orders=ORDERS, tail=2.5)
        for plane in ("horizontal", "vertical"):
            write(tmp_path / f"yew {plane} 0 {word}.wav", record, subtype="FLOAT")
    write(tmp_path / "yew horizontal 90 2V83.wav", record)
    how = {"pattern": "yew {plane} {angle} {drive}.wav", "drives": {"2v83": 2.83, "1V41": 1.415}}
    how |= {"harmonics": {"orders": 5}, "sensitivity": 1.0}
    found = read(sorted(tmp_path.glob("*.wav")), options(**how))
    data = found.harmonics
    assert data.drive.values.tolist() == [1.415, 2.83] and data.order.values.tolist() == [1, 2, 3, 4, 5]
    # The sweep that the options state has the amplitude 1; half of it was played at half the drive.
    frequency = data.frequency.values
    for row, amplitudes in ((0, at_half), (1, ORDERS)):
        for order in range(1, 6):
            at = order * frequency
            level = data.level.values[row, order - 1]
            low, high = float(data.lowest.sel(order=order)), float(data.highest.sel(order=order))
            assert low < 150 and high > 19000 / order
            valid = (at > 200) & (at < 18000) & (frequency >= low)
            expected = 20 * np.log10(amplitudes[order] * np.abs(chain(at, 0.2)) / np.sqrt(2) / 20e-6)
            np.testing.assert_allclose(level[valid], expected[valid], atol=0.1)
            assert np.isnan(level[(frequency > high * 1.001) | (frequency < low * 0.999)]).all()
            # T_n(cos x) = cos n x: order n has the phase of the chain at n f, less the delay, which `arrival` has.
            phase = np.exp(1j * np.radians(data.phase.values[row, order - 1]))
            arrived = float(found.responses.arrival.sel(plane="horizontal", angle=0))
            later = np.exp(2j * np.pi * at * (arrived - 0.004))
            turned = np.degrees(np.angle(phase / (chain(at, 0.2) * later)))
            assert np.abs(turned[valid]).max() < 2
    assert found.responses.attrs["drive"] == 2.83
    report = "\n".join(found.report)
    assert "responses at the drive of 2.83 V; recordings at other drives: 1v41" in report
    assert "orders 1 to 5 on the axis at 1.415 V, 2.83 V" in report and "missing" in report
    assert np.isfinite(data.noise.values[:, 1, 100]).all()


def test_harmonics_beyond_the_microphones_calibration_are_missing(tmp_path):
    path = write(tmp_path / "yew horizontal 0.wav", record_loudspeaker(sweep(), orders=ORDERS))
    own = tmp_path / "microphone.txt"
    own.write_text("20 0\n8000 0\n")
    data = read([path], options(microphone=own, harmonics={"orders": 2}, drive=2.83)).harmonics
    second = data.level.sel(order=2, drive=2.83)
    assert np.isnan(second.sel(frequency=slice(4001, None))).all()
    assert np.isfinite(second.sel(frequency=slice(200, 3999))).all()


def test_plain_impulse_responses(tmp_path):
    """A file that holds the impulse response itself, 1 Pa to full scale."""
    impulse = np.zeros(RATE)
    impulse[0] = 1.0
    response = record_loudspeaker(impulse, gain=0.5, tail=0.0)
    path = write(tmp_path / "yew horizontal 0.wav", response, subtype="DOUBLE")
    how = {"content": "impulse response", "sweep": None, "sensitivity": 1.0}
    for window in (GATE, None):
        found = read([path], options(**how, window=window))
        expected = closed_form(found.responses, 0.5) - 20 * np.log10(20e-6)
        assert deviation(found.responses, expected, 100, 18000) < 0.01
        assert found.responses.arrival.values[0, 0] == pytest.approx(0.004, abs=2 / RATE)
    assert "no deconvolution" in "\n".join(found.report)
    assert "lowest valid frequency 1 Hz" in "\n".join(found.report)


def test_memory_does_not_grow_with_the_number_of_directions(tmp_path):
    """Eight and thirty-two directions of three seconds.

    Of each stays its spectrum and 35 ms of its response, in front of the loudspeaker 58 ms more.
    """
    record = write(tmp_path / "one.wav", record_loudspeaker(sweep()))
    angles = np.arange(-150, 180, 11)[:32]
    paths = [tmp_path / f"yew horizontal {angle}.wav" for angle in angles]
    for path in paths:
        shutil.copy(record, path)

    def peak(count):
        tracemalloc.start()
        read(paths[:count], options())
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(1)
    few, many = peak(8), peak(32)
    assert many < few + 24 * 30_000


def test_the_order_of_the_files_and_batches_do_not_matter(orbits, reading):
    again = read(orbits[::-1], options()).responses
    assert again.level.values.tobytes() == reading.responses.level.values.tobytes()
    alone = read(orbits[1:2], options()).responses
    assert alone.level.values.tobytes() == reading.responses.level.sel(plane=["horizontal"], angle=[0]).values.tobytes()


def test_a_manifest_may_give_direction_and_drive(tmp_path):
    for name in ("a", "b"):
        write(tmp_path / f"{name}.wav", record_loudspeaker(sweep()))
    (tmp_path / "list.csv").write_text("file,plane,angle,drive\na.wav,horizontal,0,2.83\nb.wav,horizontal,30,2.83\n")
    found = read(sorted(tmp_path.iterdir()), options(pattern=None, manifest=tmp_path / "list.csv"))
    assert found.responses.angle.values.tolist() == [0, 30] and found.responses.attrs["drive"] == 2.83


# Takes


def ramp(folder, words=("2V83", "1V41"), takes=(1, 2, 3), noise=2e-3):
    """Three takes of the axis at two drives, each with its own noise, and one take at 90 degrees."""
    paths = []
    for number, (word, take) in enumerate(itertools.product(words, takes)):
        record = record_loudspeaker((0.5 if word == "1V41" else 1.0) * sweep(), noise=noise, seed=number)
        paths.append(write(folder / f"yew horizontal 0 {word} {take}.wav", record))
    paths.append(write(folder / f"yew horizontal 90 {words[0]} 1.wav", first_order(90) * record_loudspeaker(sweep())))
    return paths


RAMP = {"pattern": "yew {plane} {angle} {drive} {take}.wav", "drives": {"2V83": 2.83, "1V41": 1.415}}
UP_AND_BACK = ("1V41 1", "2V83 1", "1V41 2", "2V83 2", "1V41 3", "2V83 3")


@pytest.fixture(scope="module")
def ramped(tmp_path_factory):
    return ramp(tmp_path_factory.mktemp("ramp"))


def test_takes_are_joined_and_their_spread_is_that_of_the_noise(ramped):
    """White noise w in the recording is, per direction and frequency, 8.686 |W| / (sqrt(2) |H|) dB of spread.

    The importer's own noise line, read where the recording is silent, must agree with what repeats show: two
    independent routes to one number. The spread of three takes is itself uncertain by half (chi-square of two degrees
    of freedom), so its mean square over the frequencies is compared.
    """
    found = analyse_recordings(ramped, options(**RAMP, harmonics={"orders": 2}))
    data = read(ramped, options(**RAMP))
    responses = data.responses
    assert responses.takes.values.tolist() == [[3, 1]]
    spread = responses.level_std.values[0]
    assert np.isnan(spread[1]).all()
    takes = [each for each in found.recordings if each.drive == "2v83" and each.direction.angle == 0]
    noise = np.mean([take.orders.noise[0] ** 2 for take in takes], axis=0)
    level = np.mean([np.abs(take.spectrum) ** 2 for take in takes], axis=0)
    expected = 8.6859 * np.sqrt(noise / level / 2)
    band = (responses.frequency.values > 200) & (responses.frequency.values < 15000)
    ratio = np.sqrt(np.mean(spread[0, band] ** 2) / np.mean(expected[band] ** 2))
    assert 0.75 < ratio < 1.3
    assert (
        deviation(responses.sel(angle=[0]), closed_form(responses.sel(angle=[0])), 200, 10000)
        < 6 * expected[band].max()
    )
    report = "\n".join(data.report)
    assert "3 takes of 1 of 2 directions (horizontal 0°)" in report and "largest standard deviation of takes" in report
    assert data.takes is None and "the measurement order is not known" in report


def test_takes_of_the_harmonics_are_joined(ramped):
    data = read(ramped, options(**RAMP, harmonics={"orders": 2})).harmonics
    assert data.takes.values.tolist() == [3, 3] and data.level_std.dims == data.level.dims
    fundamental = data.level_std.sel(order=1, frequency=1000).values
    # Half the drive in the same noise: twice the spread, as far as three takes can tell.
    assert (fundamental > 0).all() and (fundamental < 1).all()
    assert np.isnan(data.level_std.values[np.isnan(data.level.values)]).all()
    single = read(
        [path for path in ramped if path.stem.endswith("1")], options(**RAMP, harmonics={"orders": 2})
    ).harmonics
    assert "level_std" not in single and "takes" not in single


@pytest.mark.parametrize("way", ["option", "column", "times", "seconds"])
def test_takes_keep_the_order_they_were_measured_in(ramped, tmp_path, way):
    """By the option, a column of numbers, or times; levels are those of each recording, 6.02 dB for twice the drive."""
    names = [f"yew horizontal 0 {which}.wav" for which in UP_AND_BACK]
    how = dict(RAMP)
    started = [np.nan] * 6
    if way == "option":
        how["order"] = [*names, ramped[-1].name]
    else:
        cells = {
            "column": [f"{place}," for place in range(1, 7)],
            "times": [f",2030-05-04T23:{50 + 3 * place}:00" for place in range(3)]
            + [f",2030-05-05 00:{place:02}:00" for place in range(3)],
            "seconds": [f"{2 * place},{10 + 3.5 * place}" for place in range(6)],
        }[way]
        started = {"times": [0, 180, 360, 600, 660, 720], "seconds": [0, 3.5, 7, 10.5, 14, 17.5]}.get(way, started)
        rows = [f"{name},h,0,{name[17:21]},{name[22]},{more}" for name, more in zip(names, cells, strict=True)]
        rows.append(f"{ramped[-1].name},h,90,2V83,1,,")
        (tmp_path / "list.csv").write_text("\n".join(["file,plane,angle,drive,take,order,started", *rows[::-1]]))
        how |= {"pattern": None, "manifest": tmp_path / "list.csv"}
    found = read(ramped, options(**how))
    takes = found.takes
    assert takes.recording.values.tolist() == names
    assert takes.drive.values.tolist() == [1.415, 2.83] * 3
    np.testing.assert_allclose(takes.started, started)
    at = takes.level.sel(frequency=1000).values
    closed = 20 * np.log10(np.abs(chain(1000.0, 0.2))) + np.where(takes.drive.values == 1.415, -6.0206, 0.0)
    np.testing.assert_allclose(at, closed, atol=0.1)
    report = "\n".join(found.report)
    assert "takes on the axis in the order of measurement: 1.415 V, 2.83 V, 1.415 V" in report
    assert ("times of takes missing" in report) == (way in ("option", "column"))


def test_file_names_may_number_the_takes(tmp_path):
    for place, word in ((10, "1.4"), (9, "2.8"), (11, "1.4")):
        write(tmp_path / f"yew h 0 {word} {place}.wav", record_loudspeaker(sweep()))
    paths = sorted(tmp_path.iterdir())
    found = read(paths, options(pattern="yew {plane} {angle} {drive} {order}.wav", response_drive="1.4"))
    assert found.takes.drive.values.tolist() == [2.8, 1.4, 1.4]
    assert found.responses.takes.values.tolist() == [[2]]
    (problem,) = problems(paths, pattern="yew {plane} {angle} {drive} {any}.wav")
    assert problem.where == "yew h 0 1.4 11.wav"
    assert problem.what == "horizontal 0° at the drive '1.4' appears twice, first in yew h 0 1.4 10.wav"


@pytest.mark.parametrize(
    ("order", "where", "what"),
    [
        (["yew horizontal 0 2V83 1.wav"], "yew horizontal 0 1V41 1.wav", "not in the option `order`"),
        (["yew.wav"], f"{HERE}, option `order`", "'yew.wav' is none of the recordings"),
        (["yew horizontal 0 2V83 1.wav"] * 2, f"{HERE}, option `order`", "is listed twice"),
    ],
)
def test_an_order_that_does_not_hold(ramped, order, where, what):
    found = problems(ramped, **RAMP, order=order)
    assert found[0].where == where and what in found[0].what


@pytest.mark.parametrize(
    ("cells", "what"),
    [
        (("1,", "1,"), "has the same place in the measurement order as"),
        (("1,", ","), "its place in the measurement order is ''"),
        (("1,", "second,"), "its place in the measurement order is 'second'"),
        ((",5", ",5"), "has the same place in the measurement order as"),
        ((",5", ","), "no time in the column started"),
        ((",5", ",noon"), "the time '5' in the column started"),
        ((",2030-05-04T10:00:00Z", ",2030-05-04T10:00:00"), "has no time zone, others have one"),
        (("1,7", "2,5"), "but was measured after it"),
        (("1,", "2,5"), "it was measured first"),
    ],
)
def test_a_manifest_whose_order_does_not_hold(ramped, tmp_path, cells, what):
    paths = [ramped[3], ramped[0]]
    rows = [f"{path.name},h,0,{path.name[17:21]},{more}" for path, more in zip(paths, cells, strict=True)]
    (tmp_path / "list.csv").write_text("\n".join(["file,plane,angle,drive,order,started", *rows]))
    found = problems(paths, **RAMP | {"pattern": None, "manifest": tmp_path / "list.csv"})
    assert any(what in problem.what for problem in found)


def test_many_takes_on_the_axis_do_not_make_an_orbit(ramped, tmp_path):
    """Two directions at 2.83 V, one of three takes at 1.415 V: the responses are those of the two."""
    paths = [path for path in ramped if "1V41" in path.stem or path.stem.endswith("2V83 1")]
    found = read(paths, options(**RAMP))
    assert found.responses.attrs["drive"] == 2.83 and found.responses.angle.values.tolist() == [0, 90]


def test_takes_of_an_unknown_drive_are_not_listed(ramped):
    paths = ramped[:2]
    how = {"pattern": "yew {plane} {angle} 2V83 {take}.wav", "order": [path.name for path in paths]}
    found = read(paths, options(**how))
    assert found.takes is None and "volts of the drive not known" in "\n".join(found.report)
    assert read(paths, options(**how, drive=2.83)).takes.drive.values.tolist() == [2.83, 2.83]


# What cannot be


def test_all_bad_files_are_named_at_once(tmp_path):
    good = orbit(tmp_path, angles=(0, 90), planes=("horizontal",))
    data = good[0].read_bytes()
    (tmp_path / "yew horizontal 10.wav").write_bytes(data[: len(data) // 2])
    (tmp_path / "yew horizontal 20.wav").write_bytes(b"RIFFnothing")
    write(tmp_path / "yew horizontal 30.wav", np.ones(RATE), rate=44100)
    (tmp_path / "yew sideways 40.wav").write_bytes(data)
    found = {problem.where: problem.what for problem in problems(sorted(tmp_path.glob("*.wav")))}
    assert found.keys() == {
        f"yew {name}.wav" for name in ("horizontal 10", "horizontal 20", "horizontal 30", "sideways 40")
    }
    assert found["yew horizontal 10.wav"].startswith("cut short: its header states")
    assert found["yew horizontal 20.wav"] == "cut short: it has no samples"
    assert found["yew horizontal 30.wav"].startswith("44100 Hz, but most recordings have 48000 Hz")
    assert "'sideways'" in found["yew sideways 40.wav"]


def test_bad_samples_are_named_at_once(tmp_path):
    record = record_loudspeaker(sweep())
    write(tmp_path / "yew h 0.wav", 0 * record)
    record[77] = np.nan
    write(tmp_path / "yew h 10.wav", record, subtype="FLOAT")
    found = {p.where: p.what for p in problems(sorted(tmp_path.glob("*.wav")))}
    assert found == {
        "yew h 0.wav": "channel 1 has only zeros",
        "yew h 10.wav": "sample 78 of channel 1 is not a number",
    }


def test_a_recording_that_ends_before_the_sweep(tmp_path):
    path = write(tmp_path / "yew h 0.wav", record_loudspeaker(sweep())[:RATE])
    (problem,) = problems([path])
    assert problem.what.startswith("a recording of 1 s, shorter than the sweep of 2.0")


def test_an_excitation_of_another_rate(tmp_path):
    path = write(tmp_path / "yew h 0.wav", record_loudspeaker(sweep()))
    played = write(tmp_path / "played.wav", sweep(44100), rate=44100)
    (problem,) = problems([path], sweep=None, excitation=played)
    assert problem.where == "played.wav" and "44100 Hz, the recordings have 48000 Hz" in problem.what


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ({"sweep": None}, "none of the options `excitation`, `loopback` and `sweep`"),
        ({"harmonics": {}, "sweep": LAW | {"kind": "linear"}}, "option `harmonics` with a linear sweep"),
        ({"harmonics": {}, "sweep": None, "loopback": 2}, "option `harmonics` without `sweep`"),
        ({"loopback": 1}, "options `channel` and `loopback` are both 1"),
        ({"loopback_volts": 10}, "option `loopback_volts` without `loopback`"),
        ({"content": "impulse response"}, "option `sweep` for impulse responses"),
        ({"smoothing": {"fraction": 48}}, "48 points per octave, smoothed over 1/48 octave"),
        ({"drive": 1.0, "drives": {"low": 1.0}}, "options `drive` and `drives` are both given"),
        ({"drives": {"low": 1.0}}, "option `drives`: no recording has the drive 'low'"),
        ({"response_drive": "loud"}, "option `response_drive`: no recording has the drive 'loud'"),
        ({"harmonics": {}}, "harmonics need its drive, which is not known"),
        ({"channel": 2}, "channel 2 is needed, but the file has 1"),
        ({"sweep": LAW | {"stop": 30000.0}}, "option `sweep`: a sweep up to 30000.0 Hz needs a sampling rate of"),
        ({"window": {"after": 1, "before": 0}, "grid": {"high": 900}}, "no frequency of the grid is between"),
        ({"window": {"after": 10000}}, "shorter than the window of 10"),
    ],
)
def test_options_that_do_not_go_together(tmp_path, more, what):
    path = write(tmp_path / "yew horizontal 0.wav", record_loudspeaker(sweep()))
    assert any(what in problem.what for problem in problems([path], **more))


def test_no_files():
    assert [problem.what for problem in problems([])] == ["no files"]
    assert problems([])[0].where == HERE


def test_a_sound_file_is_known_by_its_content(orbits, tmp_path):
    verdict = anechain_capture.anechain_identify(orbits[0])
    assert verdict.confidence == LIKELY and "48000 Hz, 1 channels, 3" in verdict.reason
    (tmp_path / "x.wav").write_text("frequency,level\n100,3\n")
    assert anechain_capture.anechain_identify(tmp_path / "x.wav").confidence == 0


def test_the_checks_get_what_they_need(orbits):
    """Facts of each recording: see test_capture_facts for the facts themselves."""
    found = analyse_recordings(orbits, options())
    assert [recording.label for recording in found.recordings] == sorted(path.name for path in orbits)
    assert {recording.facts.polarity for recording in found.recordings} == {1}
    assert found.window is not None and found.frequency.shape == found.recordings[0].spectrum.shape


CAMPAIGN = """\
anechain: 1
title: Trial halls
devices:
  yew:
    title: Yew
    kind: known filter
    responses:
      files: ["raw/*.wav"]
      options:
        pattern: "yew {plane} {angle}.wav"
        sweep: {kind: synchronised, start: 20, stop: 20000, duration: 2, fade_in: 0.1, fade_out: 0.002}
        sensitivity: 4
        drive: 2.83
        window: {before: 2, after: 120, fade: 40}
        HARMONICS
    setup: {distance: 2, valid_band: [10, 15000]}
"""


def test_a_campaign_of_captures(tmp_path):
    """Ingested with harmonics beside the responses; without them the file goes again."""
    orbit(tmp_path / "raw", angles=(0,), planes=("horizontal",), orders=ORDERS)
    file = tmp_path / "campaign.yaml"

    def ingest(harmonics):
        file.write_text(CAMPAIGN.replace("HARMONICS", harmonics))
        return run(prepare(file), "yew")

    def datasets(outcome):
        return [path for path in outcome.outputs if path.suffix == ".nc"]

    done = ingest("harmonics: {orders: 3}")
    files = datasets(done)
    assert [path.name for path in files] == ["responses.nc", "axis.nc", "harmonics.nc"] and done.made
    responses, axis, harmonics = map(read_dataset, files)
    assert responses.attrs["datasets"] == "axis harmonics" and responses.attrs["drive"] == 2.83
    low = responses.attrs["valid_low"]
    assert low == pytest.approx(30, abs=1.5) and responses.attrs["valid_high"] == 15000
    assert (
        f"valid band: 10 to 15000 Hz in the campaign; the raw files limit it to {low:g} to 15000 Hz"
        in responses.import_report
    )
    # Two metres to one: 6.0206 dB; full scale is 4 Pa.
    expected = 20 * np.log10(np.abs(chain(1000.0, 0.2)) * 4 / np.sqrt(2) / 20e-6) + 6.0206
    for dataset in (responses.level.sel(plane="horizontal", angle=0), harmonics.level.sel(drive=2.83, order=1)):
        assert float(dataset.sel(frequency=1000)) == pytest.approx(expected, abs=0.03)
    assert float(axis.level.interp(frequency=1000)) == pytest.approx(expected, abs=0.03)
    assert axis.attrs["distance"] == 1 and axis.attrs["drive"] == 2.83
    assert harmonics.attrs["distance"] == 1 and harmonics.attrs["measured_distance"] == 2
    assert "order can be measured" in harmonics.attrs["band_reasons"]
    assert harmonics.lowest.dims == ("order",) and (np.diff(harmonics.lowest) > 0).all()
    assert not ingest("harmonics: {orders: 3}").made
    files[2].unlink()
    assert ingest("harmonics: {orders: 3}").made
    again = ingest("")
    assert [path.name for path in datasets(again)] == ["responses.nc", "axis.nc"] and not files[2].exists()
    assert read_dataset(datasets(again)[0]).attrs["datasets"] == "axis"


RAMP_APART = """\
anechain: 1
title: Trial halls
devices:
  yew:
    title: Yew
    kind: known filter
    responses:
      files: ["raw/*.wav"]
      options: {pattern: "yew {plane} {angle}.wav", drive: 2.83, SHARED}
    harmonics:
      files: ["ramp/*.wav"]
      options: {pattern: "yew {plane} {angle} {order} {drive}.wav", harmonics: {orders: 2}, SHARED}
    setup: {distance: 2}
""".replace("SHARED", f"sweep: {LAW}, sensitivity: 4, window: {GATE}".replace("'", ""))


def test_a_ramp_may_be_separate_from_the_responses(tmp_path):
    """As the harmonics' own source, with its takes; absolute by its own calibration, referred from 2 m to 1 m."""
    orbit(tmp_path / "raw", angles=(0,), planes=("horizontal",))
    for place, volts in enumerate((2.83, 5.66, 2.83), start=1):
        write(tmp_path / "ramp" / f"yew h 0 {place} {volts}.wav", record_loudspeaker(volts / 5.66 * sweep()))
    (tmp_path / "campaign.yaml").write_text(RAMP_APART)
    done = run(prepare(tmp_path / "campaign.yaml"), "yew")
    assert {path.name for path in done.outputs} >= {"responses.nc", "harmonics.nc", "takes.nc"}
    takes = read_dataset(tmp_path / "results" / "yew" / "takes.nc")
    assert takes.attrs["level_kind"] == "spl" and takes.drive.values.tolist() == [2.83, 5.66, 2.83]
    expected = 20 * np.log10(np.abs(chain(1000.0, 0.2)) * 4 / np.sqrt(2) / 20e-6) + 6.0206
    closed = expected + np.array([-6.0206, 0, -6.0206])
    np.testing.assert_allclose(takes.level.sel(frequency=1000).values, closed, atol=0.01)
    assert read_dataset(tmp_path / "results" / "yew" / "harmonics.nc").takes.values.tolist() == [2, 1]


def test_harmonics_of_a_loopback_need_no_stated_fades(tmp_path):
    """The bands are those of the played signal: its fades, and a lead of 0.1 s, are in the loopback."""
    played = sweep()
    sound = record_loudspeaker(played, orders=ORDERS, tail=2.0)
    lead = np.zeros(RATE // 10)
    electrical = np.concatenate([played, np.zeros(sound.size - played.size)])
    path = write(
        tmp_path / "yew horizontal 0.wav", np.concatenate([lead, sound]), np.concatenate([lead, 0.4 * electrical])
    )
    stated = {name: value for name, value in LAW.items() if not name.startswith("fade")}
    found = read([path], options(sweep=stated, loopback=2, harmonics={"orders": 5}, drive=2.83))
    data, frequency = found.harmonics, found.harmonics.frequency.values
    own = read([path], options(loopback=2, harmonics={"orders": 5}, drive=2.83)).harmonics
    np.testing.assert_allclose(data.lowest, own.lowest, rtol=0.03)
    later = float(found.responses.arrival.values.ravel()[0]) - 0.004
    for order in range(1, 6):
        at = order * frequency
        expected = ORDERS[order] * chain(at, 0.2) * np.exp(2j * np.pi * at * later)
        known = np.isfinite(data.level.values[0, order - 1])
        assert known.any() and frequency[known][0] == pytest.approx(float(data.lowest[order - 1]), rel=0.03)
        level = 20 * np.log10(np.abs(expected / chain(1000.0, 0.2)))
        at_1000 = float(data.level.sel(drive=2.83, order=1, frequency=1000))
        assert np.abs((data.level.values[0, order - 1] - at_1000 - level)[known]).max() < 0.3
        turned = np.exp(1j * np.radians(data.phase.values[0, order - 1])) / (expected / np.abs(expected))
        assert np.abs(np.degrees(np.angle(turned[known]))).max() < 2


def test_takes_begin_where_the_sweep_has_its_full_amplitude(ramped):
    """Where the sweep fades in, the drive is lower than stated: no compression is read there."""
    order = tuple(f"yew horizontal 0 {name}.wav" for name in UP_AND_BACK)
    found = read(ramped, options(**RAMP, order=order, harmonics={"orders": 2}))
    lowest = float(found.harmonics.lowest.sel(order=1))
    assert found.takes.attrs["valid_low"] == max(lowest, found.responses.attrs["valid_low"]) >= 27
