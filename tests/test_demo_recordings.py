"""The demo's recordings: linear at low levels, compressed at high ones, and read back through the importer."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest

from demo_model import axis_exports
from demo_model.drive_unit import COPPER, half_space_pressure, solve_motion, temperatures_after
from demo_model.exports import misplaced_pressure, orbit
from demo_model.loudspeaker_model import DISTANCE, pressure, transfer
from demo_model.loudspeakers import LOUDSPEAKERS
from demo_model.recordings import (
    BEFORE,
    DRIVES,
    DURATION,
    LENGTH,
    RATE,
    START,
    STOP,
    calibrator_recording,
    recordings,
    sweep,
    unit_and_box,
    warmed_up,
    wave_file,
)

AXIS = np.array([[1.0, 0.0, 0.0]])


def db(value):
    return 20 * np.log10(np.abs(value))


@pytest.fixture(scope="module")
def series():
    """Recordings of both loudspeakers, and of alder warmed up."""
    alder = LOUDSPEAKERS["alder"]
    return {
        "rowan": list(recordings(LOUDSPEAKERS["rowan"], seed=1)),
        "alder": list(recordings(alder, seed=2)),
        "warm": list(recordings(alder, seed=3, temperatures=warmed_up(alder, *axis_exports.WARM_UP), interval=8.0)),
    }


def response(one):
    """Frequency, and pressure per volt by plain division of spectra: all orders of the sweep together."""
    played = np.zeros(one.sound.size)
    played[round(BEFORE * RATE) :][: round(DURATION * RATE)] = sweep()
    frequency = np.fft.rfftfreq(played.size, 1 / RATE)
    used = (frequency > 25) & (frequency < 18_000)
    ratio = np.fft.rfft(one.sound)[used] / np.fft.rfft(played)[used] / (np.sqrt(2) * one.drive)
    return frequency[used], ratio


def mean_level(one, low, high):
    frequency, ratio = response(one)
    within = (frequency >= low) & (frequency < high)
    return 10 * np.log10(np.mean(np.abs(ratio[within]) ** 2))


@pytest.mark.parametrize("name", ["rowan", "alder"])
def test_quiet_sweep_has_the_response_of_the_linear_model(name, series):
    # The text exports come from the same closed forms, by another way: no sweep, no time, no interpolation.
    frequency, ratio = response(series[name][0])
    at = np.geomspace(150, 16_000, 60)
    nearest = np.array([np.argmin(np.abs(frequency - f)) for f in at])
    expected = pressure(LOUDSPEAKERS[name], AXIS, frequency[nearest])[0] / 2.83
    assert np.abs(ratio[nearest] / expected - 1).max() < 0.02
    low = np.array([np.argmin(np.abs(frequency - f)) for f in (40.0, 60.0, 90.0, 120.0)])
    expected = pressure(LOUDSPEAKERS[name], AXIS, frequency[low])[0] / 2.83
    assert np.abs(db(ratio[low] / expected)).max() < 0.6


def test_recording_is_silent_until_the_sound_arrives(series):
    quiet = series["rowan"][-2].sound[: round((BEFORE + DISTANCE / 343.2 - 0.001) * RATE)]
    # White noise of 15 dB up to 20 kHz with a corner at 1 kHz below: common practice, no source.
    assert 10 < db(np.sqrt(np.mean(quiet**2)) / 20e-6) < 30
    assert series["rowan"][-2].sound.size == LENGTH * RATE


def test_sweep_passes_a_frequency_when_the_law_says():
    # f(t) = f1 exp(t/L), L = T / ln(f2/f1) (Farina 2000): count its periods about one second.
    rate = DURATION / np.log(STOP / START)
    part = sweep()[round(0.9 * RATE) : round(1.1 * RATE)]
    crossings = np.count_nonzero(np.diff(np.sign(part)) > 0)
    assert crossings == pytest.approx(rate * START * (np.exp(1.1 / rate) - np.exp(0.9 / rate)), abs=1)


def test_order_of_the_series(series):
    for taken in series.values():
        assert [one.drive for one in taken] == [*DRIVES, DRIVES[0]]
        starts = [one.start for one in taken]
        assert starts[0] == 0 and min(np.diff(starts)) >= LENGTH


def test_bass_compresses_and_the_middle_does_not(series):
    for name, low, high in (("rowan", 35, 50), ("alder", 36, 48)):
        loss = [mean_level(one, low, high) - mean_level(series[name][1], low, high) for one in series[name][2:5]]
        assert 0 > loss[0] > loss[1] > loss[2]
        assert -4 < loss[2] < -1
        assert abs(mean_level(series[name][4], 3_000, 6_000) - mean_level(series[name][1], 3_000, 6_000)) < 0.05


def test_warm_coil_loses_what_its_resistance_costs(series):
    # Above the resonances and below the crossover the mass holds the cone: it moves as u / R(T).
    cold, warm = series["alder"][1], series["warm"][1]
    assert cold.temperatures[0] < 0.1 and warm.temperatures[0] > 20
    before_band = (DURATION / np.log(STOP / START)) * np.log(300 / START)
    large = unit_and_box(LOUDSPEAKERS["alder"])[0].large
    coil, _ = temperatures_after(large, warm.temperatures, 0.0, before_band)
    expected = -db(1 + COPPER * coil)
    assert mean_level(warm, 200, 450) - mean_level(cold, 200, 450) == pytest.approx(expected, rel=0.15)
    # The coil cools while the series goes on, and the magnet stays warm.
    assert series["warm"][3].temperatures[0] < warm.temperatures[0]
    assert series["warm"][3].temperatures[1] > 0.9 * warm.temperatures[1]


@pytest.mark.parametrize("frequency", [72, 120])
@pytest.mark.parametrize("name", ["rowan", "alder"])
def test_harmonics_of_the_recordings_are_those_of_a_steady_tone(name, frequency, harmonics):
    # Another excitation, and a Fourier series in place of the importer's windows.
    loudspeaker, drive = LOUDSPEAKERS[name], 11.3
    woofer = loudspeaker.drivers[0]
    low = woofer.low_end
    one, box = unit_and_box(loudspeaker)
    at_coil = np.sqrt(2) * drive * np.abs(low.network(np.array([float(frequency)])))[0]
    tone = at_coil * np.sin(2 * np.pi * frequency * np.arange(2 * RATE + 1) / RATE)
    heard = half_space_pressure(solve_motion(one, box, tone, RATE).volume_acceleration)[-RATE // 2 :]
    orders = np.abs(np.fft.rfft(heard))[[frequency, 2 * frequency, 3 * frequency]] * 2 / heard.size / np.sqrt(2)
    at = frequency * np.array([1.0, 2.0, 3.0])
    expected = db(orders * low.cone(at) * transfer(loudspeaker, woofer, AXIS, at, DISTANCE)[0] / 20e-6)
    data = harmonics[name]
    found = data.level.sel(drive=drive).interp(frequency=frequency).values[:3]
    assert np.abs(found - expected)[[0, 2]].max() < 0.6
    assert abs(found[1] - expected[1]) < 1.5


@pytest.fixture(scope="module")
def files():
    return {**axis_exports.rowan_recordings(), **axis_exports.alder_recordings()}


@pytest.fixture(scope="module")
def harmonics(tmp_path_factory, files):
    """What the importer makes of the files, by the options of the demo's campaign."""
    from anechain.campaign.load import load_campaign
    from anechain.importing.importers import find_importers
    from anechain.importing.options import parse_options
    from anechain.importing.read import read
    from demo_model.campaign import CAMPAIGN

    folder = tmp_path_factory.mktemp("demo")
    (folder / "campaign.yaml").write_text(CAMPAIGN, encoding="utf-8")
    for name, content in files.items():
        path = folder / Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    devices = load_campaign(folder / "campaign.yaml").devices
    found = {}
    for name in ("rowan", "alder"):
        source = devices[name].harmonics
        importer = find_importers()[0][source.importer]
        assert "harmonics" in importer.description.sources
        paths = sorted(path for glob in source.files for path in folder.glob(glob))
        assert len(paths) == 6
        options = parse_options(importer, source.options, "campaign", "", folder)
        found[name] = read(importer, paths, options, name).harmonics
    return found


@pytest.mark.parametrize("name", ["rowan", "alder"])
def test_importer_reads_the_axis_alone_as_harmonics(name, harmonics):
    data = harmonics[name]
    assert data.drive.values.tolist() == list(DRIVES) and data.order.values.tolist() == [*range(1, 10)]
    frequency = data.frequency.values
    level = db(pressure(LOUDSPEAKERS[name], AXIS, frequency)[0] / 20e-6)
    middle = (frequency > 150) & (frequency < 16_000)
    found = data.level.sel(drive=2.83, order=1).values
    assert np.abs(found - level)[middle].max() < 0.1
    assert data.attrs["level_kind"] == "spl"
    # Third order of a growing excursion: it rises against the fundamental with the drive.
    low = data.sel(frequency=63, method="nearest").level
    share = (low.sel(order=3) - low.sel(order=1)).sel(drive=[2.83, 5.66, 11.3]).values
    assert -55 < share[0] < share[1] - 4 < share[2] - 8 < 0


def test_files_are_whole_small_and_always_the_same(series):
    import soundfile

    content = wave_file(series["rowan"][4].sound)
    assert content == wave_file(series["rowan"][4].sound)
    info = soundfile.info(io.BytesIO(content))
    assert (info.samplerate, info.channels, info.subtype) == (RATE, 1, "PCM_24")
    samples, _ = soundfile.read(io.BytesIO(content))
    assert np.abs(samples * 20.0 - series["rowan"][4].sound).max() <= 20.0 * 2.0**-23
    again = next(recordings(LOUDSPEAKERS["rowan"], seed=1))
    assert np.array_equal(again.sound, series["rowan"][0].sound)
    with pytest.raises(ValueError, match="overloaded"):
        wave_file(20.0 * np.ones(8))


def test_calibrator_makes_94_db():
    # 1.0024 Pa r.m.s. is 94 dB re 20 µPa (IEC 60942).
    sound = calibrator_recording(5)
    assert np.sqrt(np.mean(sound**2)) == pytest.approx(1.0024, rel=1e-3)
    assert np.abs(np.fft.rfft(sound)).argmax() == 2_000


def test_lists_of_alders_recorder_say_order_and_time(files):
    for folder, interval in (("drives", 20), ("warm", 8)):
        rows = files[f"raw/alder/{folder}/manifest.csv"].decode().splitlines()
        assert rows[0] == "file,plane,angle,drive,take,order,started"
        assert rows[1:3] == ["sweep 01.wav,h,0,0.7,a,1,0", f"sweep 02.wav,h,0,1.4,a,2,{interval}"]
        assert rows[6] == f"sweep 06.wav,h,0,0.7,b,6,{5 * interval}"
    assert sum(map(len, files.values())) < 20e6


# ---------------------------------------------------------------------------------------------------- repeated takes


def test_takes_differ_as_a_loudspeaker_that_was_put_back():
    angle, frequency = np.arange(-60.0, 61.0, 30.0), np.array([200.0, 1_000.0, 8_000.0])
    right = pressure(LOUDSPEAKERS["alder"], orbit("horizontal", angle), frequency)
    takes = np.stack([misplaced_pressure("alder", "horizontal", angle, frequency, take) for take in "abcdefgh"])
    spread = np.std(db(takes / right), axis=0, ddof=1)
    # The gain of each capture alone has 0.07 dB; angle and distance may add, not much in front.
    assert spread.min() > 0.03 and spread.max() < 0.6
    assert np.abs(db(takes / right).mean(axis=0)).max() < 0.4
    # A millimetre of distance is 8.4 degrees at 8 kHz.
    assert np.rad2deg(np.std(np.angle(takes / right), axis=0))[:, 2].mean() == pytest.approx(8.4, rel=0.6)


def test_level_chain_and_angle_are_all_that_a_far_field_point_sees():
    # Omnidirectional at 30 Hz: what is left is the gain of each capture, and the distance (0.004 dB per mm at 2 m).
    angle = np.arange(-170.0, 181.0, 10.0)
    right = pressure(LOUDSPEAKERS["alder"], orbit("vertical", angle), np.array([30.0]))
    takes = [misplaced_pressure("alder", "vertical", angle, np.array([30.0]), take) for take in "abcdef"]
    within = np.stack([db(take / right)[:, 0] for take in takes])
    assert np.std(within - within.mean(axis=1, keepdims=True)) == pytest.approx(0.07, rel=0.2)
