"""Impedances of circuits and orders of a polynomial, written as instruments write them, and read back."""

import json
import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

import anechain_columns
from anechain.acoustics.impedance.box_tuning import box_tuning
from anechain.acoustics.impedance.takes import mean_impedance
from anechain.data import contract
from anechain.data.store import read_dataset
from anechain.errors import InputError
from anechain.hooks import NO
from anechain.importing.identify import collect_verdicts
from anechain.importing.importers import find_importers
from anechain.importing.options import parse_options
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch
from anechain_columns.names import OrderName, impedance_kind, names_an_impedance, names_orders, order_of, value_kind
from anechain_columns.options import ColumnsOptions
from campaigns import delimited_device, write_delimited
from delimited_files import Style, piston_box, write

FREQUENCY = np.round(np.geomspace(10, 20000, 241), 3)
SEMICOLONS = {"separator": ";", "decimal": ","}


def vented_box(frequency=FREQUENCY, tuning=41.0):
    """Impedance of a driver in a vented box by Thiele-Small parameters.

    Electrical equivalent circuit after Small 1973, Vented-Box Loudspeaker Systems, J. Audio Eng. Soc. 21 (recalled):
    the coil, and in series with it Res, Cmes and Lces in parallel with the series branch of box, leaks and port.
    """
    coil, resonance, mechanical, electrical, compliance, leaks = 5.6, 40.0, 5.0, 0.40, 28.0 / 20.0, 12.0
    s = 2j * np.pi * frequency
    fs, fb = 2 * np.pi * resonance, 2 * np.pi * tuning
    resistance = coil * mechanical / electrical
    capacitance, inductance = electrical / (fs * coil), coil / (fs * electrical)
    box = inductance / compliance
    branch = s * box + fb * box / leaks + fb**2 * box / s
    return coil + 0.2e-3 * s + 1 / (1 / resistance + s * capacitance + 1 / (s * inductance) + 1 / branch)


Z = vented_box()
MODULUS, PHASE = np.abs(Z), np.rad2deg(np.angle(Z))


def read(paths, **options):
    return anechain_columns.anechain_read(paths if isinstance(paths, list) else [paths], ColumnsOptions(**options))


def input_error(paths, **options):
    with pytest.raises(InputError) as caught:
        read(paths, **options)
    return str(caught.value)


def table(folder, columns, header=(), name="rowan.txt", **style):
    return write(folder / name, columns, Style(header=(header,) if isinstance(header, str) else header, **style))


# ---------------------------------------------------------------------------------------------------- impedance

# What is written, how it is titled, in what style, and the options it takes.
WAYS = {
    "names and units": ((FREQUENCY, MODULUS, PHASE), "Frequency [Hz]\tImpedance [Ohm]\tPhase [deg]", {}, {}),
    "comma dialect": ((FREQUENCY, MODULUS, PHASE), "Frequenz [Hz];Impedanz [\u03a9];Phase [°]", SEMICOLONS, {}),
    "ohm sign": ((FREQUENCY, MODULUS, PHASE), "f/Hz;|Z|/\u2126;phi/°", SEMICOLONS, {}),
    "units below": ((FREQUENCY, Z.real, Z.imag), ("f;Re(Z);Im(Z)", "Hz;Ohm;Ohm"), {"separator": ";"}, {}),
    "script": ((FREQUENCY, MODULUS, PHASE), "frequency_hz,magnitude_ohm,phase_deg", {"separator": ","}, {}),
    "other order": ((PHASE, FREQUENCY, MODULUS), "phase (deg),freq (Hz),ohm", {"separator": ","}, {}),
    "parts": ((FREQUENCY, Z.real, Z.imag), "freq,resistance (ohm),reactance (ohm)", {"separator": ","}, {}),
    "kilo and radian": (
        (FREQUENCY / 1000, MODULUS / 1000, np.deg2rad(PHASE)),
        "Frequency (kHz)\tImpedance (kOhm)\tPhase (rad)",
        {},
        {},
    ),
    "by number": ((FREQUENCY, MODULUS, PHASE), (), {}, {"columns": {"frequency": 1, "magnitude": 2, "phase": 3}}),
    "by name": (
        (FREQUENCY, PHASE, MODULUS),
        "a\tb\tc",
        {},
        {"columns": {"frequency": "a", "magnitude": "c", "phase": "b"}},
    ),
    "comments": ((FREQUENCY, MODULUS, PHASE), ("* bench 2, 0.5 V", "* Hz Ohm deg"), {"separator": " "}, {}),
    "UTF-16": ((FREQUENCY, MODULUS, PHASE), "Hz;Ohm;deg", {"separator": ";", "encoding": "utf-16"}, {}),
    "more columns": (
        (FREQUENCY, MODULUS, PHASE, MODULUS * 0),
        "Freq,Impedance (ohm),Impedance phase (deg),mark",
        {"separator": ","},
        {},
    ),
}


@pytest.mark.parametrize("way", WAYS)
def test_an_impedance_is_read_whichever_way_it_is_written(tmp_path, way):
    columns, header, style, options = WAYS[way]
    reading = read(table(tmp_path, columns, header, places=7, **style), **options)
    assert reading.harmonics is None and reading.responses is None
    np.testing.assert_allclose(reading.impedance.frequency, FREQUENCY, rtol=1e-6)
    np.testing.assert_allclose(reading.impedance.magnitude, MODULUS, rtol=1e-4)
    np.testing.assert_allclose(reading.impedance.phase, PHASE, atol=1e-2)


def test_assumptions_are_reported(tmp_path):
    path = table(tmp_path, (FREQUENCY, MODULUS, PHASE), "Frequency,Impedance,Phase", separator=",")
    report = "\n".join(read(path).report)
    for words in ("frequency read as hertz", "impedance read as ohm", "phase read as degree"):
        assert f"{words}: the header has no unit" in report
    named = "\n".join(read(table(tmp_path, (FREQUENCY, MODULUS), "Hz,Ohm", separator=",")).report)
    assert "has no unit" not in named and "phase missing: the table has none" in named


def test_two_nameless_columns_are_frequency_and_modulus_if_the_quantity_is_stated(tmp_path):
    path = table(tmp_path, (FREQUENCY, MODULUS))
    assert "no header names the columns" in input_error(path)
    reading = read(path, quantity="impedance")
    np.testing.assert_allclose(reading.impedance.magnitude, MODULUS, atol=1e-3)
    assert "phase" not in reading.impedance
    report = "\n".join(reading.report)
    assert "first column read as the frequency" in report and "other column read as the modulus" in report


def test_what_can_be_read_in_two_ways_is_refused(tmp_path):
    three = table(tmp_path, (FREQUENCY, MODULUS, PHASE))
    assert "modulus and phase or real and imaginary part" in input_error(three, quantity="impedance")
    two = table(tmp_path, (FREQUENCY, MODULUS, MODULUS), "Hz,Ohm,Ohm", separator=",")
    assert "columns 2 (Ohm) and 3 (Ohm) could each be the magnitude" in input_error(two)
    radians = table(tmp_path, (FREQUENCY, MODULUS, np.deg2rad(PHASE)), "freq,impedance,phase", separator=",")
    assert "degrees or radians" in input_error(radians)
    np.testing.assert_allclose(read(radians, phase_unit="radian").impedance.phase, PHASE, atol=0.1)
    neither = table(tmp_path, (FREQUENCY, MODULUS), "Hz,dB", separator=",")
    assert "names neither an impedance nor harmonic orders" in input_error(neither)
    both = table(tmp_path, (FREQUENCY, MODULUS, MODULUS, MODULUS), "Hz,Ohm,H2,H3", separator=",")
    assert "names both an impedance and harmonic orders" in input_error(both)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"at": (5, 1), "to": 0.0}, "line 7: the modulus is 0 ohm"),
        ({"at": (5, 1), "to": -3.0}, "line 7: the modulus is -3 ohm"),
        ({"at": (5, 1), "to": np.nan}, "line 7: the magnitude is 'nan'"),
        ({"at": (5, 0), "to": 9.0}, "line 7: the frequency is 9 Hz after"),
        ({"at": (5, 0), "to": np.nan}, "line 7: the frequency is 'nan'"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(tmp_path, change, words):
    values = np.stack([FREQUENCY, MODULUS, PHASE], axis=1)
    values[change["at"]] = change["to"]
    assert words in input_error(table(tmp_path, values.T, "Hz,Ohm,deg", separator=","))


def test_gaps_are_kept_where_asked_for(tmp_path):
    modulus = np.where(np.arange(FREQUENCY.size) == 5, np.nan, MODULUS)
    path = table(tmp_path, (FREQUENCY, modulus, PHASE), "Hz,Ohm,deg", separator=",")
    reading = read(path, missing="keep")
    assert np.flatnonzero(np.isnan(reading.impedance.magnitude)).tolist() == [5]
    assert any("impedance missing at" in line for line in reading.report)


def test_a_phase_that_no_passive_load_has_is_reported(tmp_path):
    report = read(table(tmp_path, (FREQUENCY, MODULUS, PHASE + 180), "Hz,Ohm,deg", separator=",")).report
    assert any("passive load is within" in line for line in report)
    assert any("converted to the same angles" in line for line in report)
    reading = read(table(tmp_path, (FREQUENCY, MODULUS, PHASE + 360), "Hz,Ohm,deg", separator=","))
    np.testing.assert_allclose(reading.impedance.phase, PHASE, atol=1e-3)


def test_several_files_are_refused_unless_they_are_takes(tmp_path):
    paths = [
        table(tmp_path, (FREQUENCY, MODULUS * share, PHASE), "Hz,Ohm,deg", f"take {at}.csv", separator=",", places=6)
        for at, share in enumerate((0.98, 1.0, 1.02))
    ]
    assert "a device has one impedance" in input_error(paths)
    reading = read(paths, repeats=True)
    np.testing.assert_allclose(reading.impedance.magnitude, MODULUS, rtol=1e-5)
    # 0.98, 1, 1.02 have the standard deviation 0.02.
    assert any("mean of 3 takes; their standard deviation is at most 2 per cent" in line for line in reading.report)
    # 98, 100 and 102 % have a standard deviation of 2 % (n - 1), and no two of them another phase.
    kept = reading.impedance
    assert kept["takes"].values.tolist() == [3] * kept.sizes["frequency"]
    assert kept["magnitude_std"].values == pytest.approx(0.02 * kept["magnitude"].values, rel=1e-3)
    assert kept["phase_std"].values == pytest.approx(0.0, abs=1e-2)
    assert "takes" not in read(paths[:1]).impedance
    other = table(tmp_path, (FREQUENCY[1:], MODULUS[1:], PHASE[1:]), "Hz,Ohm,deg", "take 9.csv", separator=",")
    assert "other frequencies" in input_error([*paths, other], repeats=True)


def test_the_mean_is_that_of_the_complex_impedance():
    # Two takes 60 degrees apart: the mean of unit phasors at ±30° is cos 30°.
    mean = mean_impedance([[10.0], [10.0]], [[30.0], [-30.0]])
    assert mean.magnitude[0] == pytest.approx(10 * np.cos(np.pi / 6)) and mean.phase[0] == pytest.approx(0, abs=1e-9)
    without = mean_impedance([[9.0], [11.0]])
    assert without.magnitude[0] == 10 and without.phase is None
    assert without.deviation[0] == pytest.approx(np.sqrt(2) / 10)
    assert np.isnan(mean_impedance([[np.nan], [11.0]]).magnitude[0])
    for wrong in ([[1.0]], [1.0, 2.0]):
        with pytest.raises(ValueError, match="two takes"):
            mean_impedance(wrong)
    with pytest.raises(ValueError, match="shape"):
        mean_impedance([[1.0], [2.0]], [[1.0]])


@settings(max_examples=25, deadline=None)
@given(
    order=st.permutations(["frequency", "magnitude", "phase"]),
    separator=st.sampled_from([";", "\t"]),
    decimal=st.sampled_from([".", ","]),
)
def test_columns_in_any_order(tmp_path_factory, order, separator, decimal):
    values = {"frequency": FREQUENCY, "magnitude": MODULUS, "phase": PHASE}
    titles = {"frequency": "Freq [Hz]", "magnitude": "|Z| [ohm]", "phase": "Phase [deg]"}
    header = separator.join(titles[kind] for kind in order)
    folder = tmp_path_factory.mktemp("any")
    path = table(folder, [values[kind] for kind in order], header, separator=separator, decimal=decimal)
    np.testing.assert_allclose(read(path).impedance.magnitude, MODULUS, atol=1e-3)


def test_from_the_raw_file_to_the_validated_dataset(tmp_path):
    write_delimited(tmp_path / "raw" / "alder", "alder", 0.6)
    table(tmp_path / "raw", (FREQUENCY, MODULUS, PHASE), "Hz;Ohm;Grad", "alder z.txt", **SEMICOLONS)
    text = "anechain: 1\ntitle: Trial halls\nfigures: {formats: []}\ndevices:\n" + delimited_device("alder", "Alder")
    source = """\
    impedance:
      files: [raw/alder z.txt]
      options: {columns: {frequency: 1, magnitude: 2, phase: 3}, drive: 0.5}
"""
    (tmp_path / "campaign.yaml").write_text(text + source)
    plan = prepare(tmp_path / "campaign.yaml")
    for batch in plan.batches:
        run_batch(plan, "ingest", batch)
    written = read_dataset(tmp_path / "results" / "alder" / "impedance.nc")
    contract.validate(written, "impedance", "alder")
    assert written.attrs["importer"] == "columns" and written.attrs["drive"] == 0.5
    assert "phase read as degree" in written.attrs["import_report"]
    # What the box was tuned to, to the percent that leaks and inductance move it.
    found = box_tuning(written.frequency.values, written.magnitude.values, written.phase.values)
    assert found.tuning_hz == pytest.approx(41.0, rel=0.02)
    roles = [
        entry["role"] for step in json.loads(written.attrs["receipt"])["steps"].values() for entry in step["inputs"]
    ]
    assert "raw:raw/alder z.txt" in roles


# ---------------------------------------------------------------------------------------------------- harmonics

DRIVES = (1.0, 2.0, 4.0)
TONES = np.round(np.geomspace(40, 8000, 93), 3)


def polynomial(drive):
    """Fundamental in dB and the second and third order relative to it in dB: y = x + 0.01 x² + 0.002 x³, x = V cos.

    cos² = (1 + cos 2)/2 and cos³ = (3 cos + cos 3)/4: orders V + 0.0015 V³, 0.005 V², 0.0005 V³. The response falls
    12 dB per octave below 80 Hz; the orders are given at the frequency of the excitation.
    """
    weight = 80 + 20 * np.log10(np.abs(1 / (1 - (80 / TONES) ** 2 + 1.4j * 80 / TONES)))
    first = drive + 0.0015 * drive**3
    second, third = 0.005 * drive**2 / first, 0.0005 * drive**3 / first
    return weight + 20 * np.log10(first), 20 * np.log10(second), 20 * np.log10(third)


def expected(drive):
    first, second, third = polynomial(drive)
    return np.stack([first, first + second, first + third])


def columns_of(drive, kind):
    first, second, third = polynomial(drive)
    if kind == "level":
        return TONES, first, first + second, first + third
    if kind == "percent":
        return TONES, first, *(np.full(TONES.size, 100 * 10 ** (x / 20)) for x in (second, third))
    return TONES, first, *(np.full(TONES.size, x) for x in (second, third))


TITLES = {
    "level": "Frequency (Hz),Fundamental (dB SPL),H2 (dB SPL),H3 (dB SPL)",
    "percent": "Freq,H1 [dB SPL],2nd [%],3rd [%]",
    "relative": "f/Hz,order 1 / dB SPL,order 2 / dBr,order 3 / dB re fundamental",
}


@pytest.mark.parametrize("kind", TITLES)
def test_orders_of_each_drive(tmp_path, kind):
    paths = [
        table(tmp_path, columns_of(drive, kind), TITLES[kind], f"rowan {drive:g}V.csv", separator=",", places=8)
        for drive in DRIVES
    ]
    reading = read(paths, pattern="rowan {drive}V.csv")
    data = reading.harmonics
    assert data.level.dims == ("drive", "order", "frequency")
    assert data.drive.values.tolist() == list(DRIVES) and data.order.values.tolist() == [1, 2, 3]
    np.testing.assert_allclose(data.frequency, TONES)
    for drive in DRIVES:
        np.testing.assert_allclose(data.level.sel(drive=drive), expected(drive), atol=1e-5)
    assert np.isnan(data.noise).all() and any("noise missing in orders 1, 2, 3" in line for line in reading.report)
    assert data.attrs["level_kind"] == "spl"


def test_exchanged_drives_are_seen_by_the_levels(tmp_path):
    paths = [
        table(tmp_path, columns_of(drive, "level"), TITLES["level"], f"rowan {word}.csv", separator=",")
        for word, drive in zip(("low", "mid", "high"), DRIVES, strict=True)
    ]
    stated = dict(zip(("low", "mid", "high"), DRIVES, strict=True))
    ((good,), (bad,)) = (
        read(paths, pattern="rowan {drive}.csv", drives=drives).checks
        for drives in (stated, {**stated, "low": 4.0, "high": 1.0})
    )
    assert good.verdict == "good"
    # 20 lg 4 once for the levels and once for the drives.
    assert bad.verdict == "bad" and dict(bad.values)["rowan low.csv"] == pytest.approx(40 * np.log10(4), abs=0.2)


def test_without_the_fundamental_levels_are_relative_to_it(tmp_path):
    _, second, third = polynomial(2.0)
    columns = TONES, *(np.full(TONES.size, 100 * 10 ** (x / 20)) for x in (second, third))
    reading = read(table(tmp_path, columns, "Hz;k2 [%];k3 [%]", places=8, **SEMICOLONS), drive=2.0)
    np.testing.assert_allclose(reading.harmonics.level[0, 0], 0.0)
    np.testing.assert_allclose(reading.harmonics.level[0, 1:, 0], [second, third], atol=1e-4)
    assert reading.harmonics.attrs["level_kind"] == "relative"
    assert any("0 dB by definition" in line for line in reading.report)
    hundred = table(tmp_path, (TONES, TONES * 0 + 100, *columns[1:]), "Hz;k1 [%];k2 [%];k3 [%]", places=8, **SEMICOLONS)
    again = read(hundred, drive=2.0)
    np.testing.assert_allclose(again.harmonics.level, reading.harmonics.level)
    assert any("'k1 [%]' ignored" in line for line in again.report)


def test_what_the_values_are_is_never_guessed(tmp_path):
    path = table(tmp_path, columns_of(1.0, "relative"), "Hz,H1 [dB],H2 [dB],H3 [dB]", separator=",", places=8)
    assert "set the option `values`" in input_error(path, drive=1.0)
    reading = read(path, drive=1.0, values="relative")
    np.testing.assert_allclose(reading.harmonics.level[0], expected(1.0), atol=1e-5)
    assert "level_kind" not in reading.harmonics.attrs
    as_levels = read(path, drive=1.0, values="level").harmonics.level[0]
    np.testing.assert_allclose(as_levels, np.stack(columns_of(1.0, "relative")[1:]), atol=1e-5)


def test_an_option_overrides_the_header_with_a_note(tmp_path):
    path = table(tmp_path, columns_of(1.0, "relative"), "Hz,H1 [dB],H2 [%],H3 [%]", separator=",", places=8)
    reading = read(path, drive=1.0, values="relative")
    np.testing.assert_allclose(reading.harmonics.level[0], expected(1.0), atol=1e-5)
    assert any("although the header has 'H2 [%]'" in line for line in reading.report)


def test_rows_at_the_harmonics_own_frequency_are_moved(tmp_path):
    # Order n of the excitation f stands in the row of n f; a slope of log frequency is exact under the interpolation.
    grid = np.round(np.geomspace(20, 20000, 301), 6)
    first = 90.0 + 3 * np.log2(grid / 100)
    second, third = -40.0 - 2 * np.log2(grid / 200), -50.0 + 1.5 * np.log2(grid / 300)
    path = table(tmp_path, (grid, first, second, third), "Hz,H1 [dB SPL],H2 [dBr],H3 [dBr]", separator=",", places=9)
    data = read(path, drive=2.83, frequency_of="harmonic").harmonics
    found = data.level.sel(drive=2.83)
    np.testing.assert_allclose(data.frequency, grid)
    for order, relative in ((2, -40.0 - 2 * np.log2(grid / 100)), (3, -50.0 + 1.5 * np.log2(grid / 100))):
        inside = order * grid <= 20000
        np.testing.assert_allclose(found.sel(order=order)[inside], (first + relative)[inside], atol=1e-5)
        assert np.isnan(found.sel(order=order)[~inside]).all()
    report = read(path, drive=2.83, frequency_of="harmonic").report
    assert any("order 3 missing at" in line for line in report) and any(
        "interpolated at n times it" in line for line in report
    )


@pytest.mark.parametrize("own", [False, True])
def test_phases_of_orders_are_kept(tmp_path, own):
    """Phases that turn with the logarithm of the frequency by more than a circle, of orders 1 and 2, in two units."""
    turned = 300 * np.log10(FREQUENCY / 100)
    wrapped = 180 - (180 - turned) % 360
    columns = [FREQUENCY, np.full(241, 90.0), np.full(241, 50.0), wrapped]
    header = "Hz,H1 (dB SPL),H2 (dB SPL),turn (deg)"
    path = table(tmp_path, columns, header, separator=",")
    options = {"frequency_of": "harmonic"} if own else {}
    data = read(path, phases={2: "turn (deg)"}, drive=1.0, **options)
    phase = data.harmonics.phase.sel(drive=1.0, order=2)
    # With rows at the frequency of each harmonic, the second order of the excitation f is in the row 2 f.
    expected = 300 * np.log10(phase.frequency.values * (2 if own else 1) / 100)
    known = np.isfinite(phase.values)
    assert known.mean() > 0.85
    difference = (phase.values - expected + 180) % 360 - 180
    assert np.abs(difference[known]).max() < 0.5
    assert np.isnan(data.harmonics.phase.sel(order=1)).all()
    assert any("re n times the phase of the excitation" in line for line in data.report)


def test_a_phase_without_its_order_is_refused(tmp_path):
    header = "Hz,H1 (dB SPL),H2 (dB SPL),turn (deg)"
    path = table(tmp_path, [FREQUENCY, MODULUS, MODULUS, PHASE], header, separator=",")
    assert "phase of order 3" in input_error(path, phases={3: 4}, drive=1.0)


def test_noise_under_each_order_is_kept(tmp_path):
    columns = (*columns_of(1.0, "level"), TONES * 0 + 12.0, TONES * 0 + 9.0)
    header = "Hz,H1 (dB SPL),H2 (dB SPL),H3 (dB SPL),H2 noise (dB SPL),noise 3 (dB SPL)"
    data = read(table(tmp_path, columns, header, separator=","), drive=1.0).harmonics
    np.testing.assert_allclose(data.noise.sel(drive=1.0, order=2), 12.0)
    np.testing.assert_allclose(data.noise.sel(drive=1.0, order=3), 9.0)
    assert np.isnan(data.noise.sel(drive=1.0, order=1)).all()


def test_a_total_alone_is_refused_and_with_orders_ignored(tmp_path):
    path = table(tmp_path, (TONES, TONES * 0 + 0.3), "Hz,THD [%]", separator=",")
    assert "cannot be split into orders" in input_error(path, drive=1.0)
    columns = (*columns_of(1.0, "percent"), TONES * 0 + 0.5)
    reading = read(table(tmp_path, columns, TITLES["percent"] + ",THD [%]", separator=",", places=6), drive=1.0)
    assert reading.harmonics.order.values.tolist() == [1, 2, 3]
    assert any("columns ignored: 5 (THD [%])" in line for line in reading.report)


def test_drives_come_from_words_numbers_and_names(tmp_path):
    def make(name):
        return table(tmp_path, columns_of(1.0, "level"), TITLES["level"], name, separator=",")

    paths = [make("oak low.csv"), make("oak 2,83.csv")]
    data = read(paths, pattern="oak {drive}.csv", drives={"low": 0.5}).harmonics
    assert data.drive.values.tolist() == [0.5, 2.83]
    by_name = read(paths, drives={"oak low.csv": 0.5, "OAK 2,83.csv": 4}).harmonics
    assert by_name.drive.values.tolist() == [0.5, 4.0]
    assert "the word 'low' in the place of {drive}" in input_error(paths, pattern="oak {drive}.csv")
    assert "has the drive 2.83 V, like" in input_error(paths, pattern="oak {drive}.csv", drives={"low": 2.83})
    assert "no file has the drive or name 'high'" in input_error(
        paths, pattern="oak {drive}.csv", drives={"low": 1, "high": 2}
    )
    assert "does not fit the pattern" in input_error(paths, pattern="elm {drive}.csv")
    assert input_error(paths).count("its drive is not known") == 2
    assert "set the option `drive`" in input_error(paths[0])
    assert read(paths[0], drive=0.7).harmonics.drive.values.tolist() == [0.7]


def test_drives_with_other_orders_or_frequencies(tmp_path):
    whole = table(tmp_path, columns_of(1.0, "level"), TITLES["level"], "a 1.csv", separator=",")
    fewer = table(tmp_path, columns_of(2.0, "level")[:3], TITLES["level"][:-12], "a 2.csv", separator=",")
    reading = read([whole, fewer], pattern="a {drive}.csv")
    assert np.isnan(reading.harmonics.level.sel(drive=2, order=3)).all()
    assert any("orders 3 missing, which other drives have" in line for line in reading.report)
    cut = [column[3:] for column in columns_of(3.0, "level")]
    other = table(tmp_path, cut, TITLES["level"], "a 3.csv", separator=",")
    assert "has other frequencies than a 1.csv" in input_error([whole, other], pattern="a {drive}.csv")
    percent = [column[:3] for column in columns_of(3.0, "percent")]
    del percent[1]
    relative = table(tmp_path, percent, "Hz,k2 [%],k3 [%]", "a 4.csv", separator=",", places=6)
    first = [column[:3] for column in columns_of(1.0, "level")]
    short = table(tmp_path, first, TITLES["level"], "a 5.csv", separator=",")
    assert "one kind of level" in input_error([short, relative], pattern="a {drive}.csv")


def test_orders_by_option(tmp_path):
    path = table(tmp_path, columns_of(1.0, "level"), "w,x,y,z", separator=",")
    assert "no column is named as a harmonic order" in input_error(path, quantity="harmonics", drive=1.0)
    options = {"columns": {"frequency": "w"}, "orders": {"1": "x", "2": 3, "3": "z"}}
    reading = read(path, drive=1.0, values="level", **options)
    np.testing.assert_allclose(reading.harmonics.level[0], expected(1.0), atol=1e-3)
    assert "is not in the table" in input_error(path, drive=1.0, values="level", orders={"2": "q"})


def test_no_per_cent_has_no_level(tmp_path):
    columns = list(columns_of(1.0, "percent"))
    columns[2] = np.where(np.arange(TONES.size) == 4, 0.0, columns[2])
    path = table(tmp_path, columns, TITLES["percent"], separator=",", places=6)
    assert "line 6: order 2 is 0 per cent, which has no level" in input_error(path, drive=1.0)
    data = read(path, drive=1.0, missing="keep")
    assert np.flatnonzero(np.isnan(data.harmonics.level[0, 1])).tolist() == [4]
    assert any("order 2 missing at" in line for line in data.report)


# ---------------------------------------------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("cell", "found"),
    [
        ("H2", OrderName(2)),
        ("k3 [%]", OrderName(3)),
        ("d2", OrderName(2)),
        ("HD 4", OrderName(4)),
        ("2nd harmonic", OrderName(2)),
        ("3rd", OrderName(3)),
        ("order 5 (dB)", OrderName(5)),
        ("harmonic_2_db", OrderName(2)),
        ("Fundamental [dB re 20 µPa]", OrderName(1)),
        ("H3 (dB re fundamental)", OrderName(3)),
        ("dB re fundamental", None),
        ("H2 noise", OrderName(2, is_noise=True)),
        ("noise 3", OrderName(3, is_noise=True)),
        ("THD [%]", OrderName(None)),
        ("H2 and H3", None),
        ("H0", None),
        ("depth2", None),
        ("Frequency", None),
        ("10", None),
    ],
)
def test_orders_are_known_by_their_names(cell, found):
    assert order_of(cell) == found


@pytest.mark.parametrize(
    ("cell", "kind"),
    [
        ("H2 [%]", "percent"),
        ("k2 per cent", "percent"),
        ("H2 dB SPL", "level"),
        ("dB re 20 µPa", "level"),
        ("H2 [dBr]", "relative"),
        ("H2 dB rel. fundamental", "relative"),
        ("H2 [dB]", None),
        ("H2", None),
    ],
)
def test_decibel_alone_has_no_kind(cell, kind):
    assert value_kind(cell) == kind


@pytest.mark.parametrize(
    ("cell", "kind"),
    [
        ("f", "frequency"),
        ("Freq(Hz)", "frequency"),
        ("|Z|", "magnitude"),
        ("Re(Z) [ohm]", "real"),
        ("Im Z", "imaginary"),
        ("Phase of Z [deg]", "phase"),
        ("R [ohm]", "real"),
        ("X [ohm]", "imaginary"),
        ("Impedanz [kOhm]", "magnitude"),
        ("Winkel [°]", "phase"),
        ("SPL [dB]", None),
    ],
)
def test_an_impedance_is_known_by_names_and_units(cell, kind):
    assert impedance_kind(cell) == kind


def test_responses_and_directions_are_neither():
    for header in (["Freq(Hz)", "SPL(dB)", "Phase(deg)"], ["Hz", "dB"], ["freq", "mag", "phase"]):
        assert not names_an_impedance(header) and not names_orders(header)
    for header in (["Hz", "H0", "H10", "H20"], ["Hz", "H10", "H20", "V10"], ["Hz", "0", "10"], ["f", "H1"]):
        assert not names_orders(header) or header == ["f", "H1"]


# ---------------------------------------------------------------------------------------------------- identifying


@pytest.mark.parametrize("way", [name for name in WAYS if not name.startswith("by ")])
def test_a_named_impedance_is_claimed_above_a_plain_table(tmp_path, way):
    columns, header, style, _ = WAYS[way]
    path = table(tmp_path, columns, header, **style)
    given = {name: verdict.confidence for name, verdict in collect_verdicts(path, find_importers()[0]).items()}
    assert given["columns"] > max(value for name, value in given.items() if name != "columns")


def test_what_is_not_named_is_not_claimed(tmp_path):
    level, phase = piston_box(TONES, 10)
    for columns, header in (
        ((TONES, level), ()),
        ((TONES, level, phase), "Freq(Hz)\tSPL(dB)\tPhase(deg)"),
        ((TONES, level, level, level), "Hz\tH0\tH10\tH20"),
        ((TONES, level), "Hz\tTHD"),
    ):
        verdict = anechain_columns.anechain_identify(table(tmp_path, columns, header))
        assert verdict.confidence == NO and verdict.reason
    missing = anechain_columns.anechain_identify(tmp_path / "absent")
    assert missing.confidence == NO


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300))
def test_junk_is_neither_claimed_nor_fatal(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("junk") / "x.txt"
    path.write_bytes(content or b"\0")
    verdict = anechain_columns.anechain_identify(path)
    assert 0 <= verdict.confidence < 1
    with pytest.raises(InputError):
        read(path)


def test_a_large_file_is_judged_by_its_start(tmp_path):
    long = np.arange(1, 40001) / 2
    path = table(tmp_path, (long, long * 0 + 8, long * 0), "Hz;Ohm;deg", separator=";", encoding="utf-16")
    assert path.stat().st_size > 65536 and anechain_columns.anechain_identify(path).confidence > 0


# ---------------------------------------------------------------------------------------------------- options


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"columns": {"frequency": 1, "real": 2}}, "real and imaginary are needed together"),
        ({"columns": {"magnitude": 2, "real": 3, "imaginary": 4}}, "either magnitude and phase, or"),
        ({"columns": {"phase": 3}}, "a phase needs a magnitude"),
        ({"columns": {"frequency": 1, "magnitude": 1}}, "the same column"),
        ({"columns": {"magnitude": 0}}, "greater than or equal to 1"),
        ({"quantity": "harmonics", "columns": {"magnitude": 2}}, "quantity is harmonics"),
        ({"quantity": "impedance", "orders": {"2": 3}}, "both given"),
        ({"orders": {"0": 3}}, "greater than or equal to 1"),
        ({"orders": {"2": 3}, "noise": {"3": 4}}, "not in orders"),
        ({"pattern": "x.txt"}, "lacks the field {drive}"),
        ({"pattern": "{drive} {angle}.txt"}, "{angle} is not a field"),
        ({"pattern": "{drive}{any}"}, "needs literal text"),
        ({"pattern": "{drive} }.txt"}, "has no partner"),
        ({"drives": {"a": -1}}, "greater than 0"),
        ({"drive": 2.0, "pattern": "{drive}.txt"}, "drive is for one file"),
        ({"separator": "comma", "decimal": "comma"}, "a comma cannot be both"),
    ],
)
def test_options_that_cannot_go_together_are_refused(options, words):
    with pytest.raises(ValidationError, match=words.replace("{", r"\{")):
        ColumnsOptions(**options)


def test_options_come_from_a_campaign_with_text_keys(tmp_path):
    importer = find_importers()[0]["columns"]
    options = parse_options(importer, {"orders": {"2": "H2", "3": 4}}, "campaign", "", tmp_path)
    assert options.orders == {2: "H2", 3: 4}
    assert importer.description.sources == ("impedance", "harmonics")


def test_files_that_cannot_be_read_and_mixtures_are_refused(tmp_path):
    ohm = table(tmp_path, (FREQUENCY, MODULUS), "Hz,Ohm", "z.csv", separator=",")
    orders = table(tmp_path, columns_of(1.0, "level"), TITLES["level"], "h.csv", separator=",")
    assert "holds an impedance, h.csv harmonic orders" in input_error([ohm, orders])
    assert "no files" in input_error([])
    assert "`repeats` is set, but these are harmonics" in input_error(orders, drive=1.0, repeats=True)
    assert "cannot be read" in input_error(tmp_path / "absent.csv")
    if os.geteuid() != 0:
        ohm.chmod(0)
        assert "cannot be read" in input_error(ohm)


def test_raw_files_stay_as_they_are(tmp_path):
    path = table(tmp_path, (FREQUENCY, MODULUS), "Hz,Ohm", separator=",")
    before = path.read_bytes(), path.stat().st_mtime_ns
    read(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
