import os
import stat
from hashlib import sha256
from pathlib import Path

import numpy as np
import pluggy
import pytest
from hypothesis import given
from hypothesis import strategies as st

import anechain_delimited
from anechain.data import contract
from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, ImporterHooks
from anechain_delimited.options import DelimitedOptions
from delimited_files import CORNER, RADIUS, SPEED, Style, piston_box, write, write_orbits

FREQUENCY = np.geomspace(20, 20000, 121)
PATTERN = "oak {plane} {angle}.txt"


def read(paths, **options):
    return anechain_delimited.anechain_read(paths, DelimitedOptions(**options))


def test_the_fixture_matches_its_formulas():
    # A second-order Butterworth high-pass is 3.0103 dB down at its corner; a piston's beam is 3 dB down where
    # k a sin(angle) = 1.616 (2 J1(x)/x = 1/sqrt 2; Kinsler et al., 7.4).
    assert piston_box(np.array([CORNER]), 0.0)[0] == pytest.approx(90 - 3.0103, abs=1e-4)
    high = np.array([1.6163 * SPEED / (2 * np.pi * RADIUS)])
    assert piston_box(high, 90.0)[0] - piston_box(high, 0.0)[0] == pytest.approx(-3.01, abs=5e-3)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(("separator", "decimal"), [("\t", "."), (";", ","), (",", "."), (" ", ",")])
def test_two_orbits_in_every_row_format(tmp_path, encoding, line_end, separator, decimal):
    header = ("Workshop bench, 23 °C", separator.join(("Freq(Hz)", "SPL(dB)", "Phase(deg)")))
    style = Style(separator, decimal, encoding, line_end, header)
    reading = read(write_orbits(tmp_path, FREQUENCY, style=style), pattern=PATTERN)
    responses = reading.responses
    assert responses.level.dims == ("plane", "angle", "frequency")
    np.testing.assert_array_equal(responses.frequency, np.round(FREQUENCY, 3))
    for plane in ("horizontal", "vertical"):
        for angle in (-30, 0, 30):
            level, phase = piston_box(FREQUENCY, angle)
            at = responses.sel(plane=plane, angle=angle)
            np.testing.assert_allclose(at.level, level, atol=0.00051)
            np.testing.assert_allclose(at.phase, phase, atol=0.00051)
    assert "level_kind" not in responses.attrs  # the files do not say what their decibels refer to
    assert any("lines before the numbers, ignored: 2 (6 files" in line for line in reading.report)
    assert not any("columns read in the order" in line for line in reading.report)


def test_the_order_of_the_files_changes_nothing(tmp_path):
    paths = write_orbits(tmp_path, FREQUENCY)
    first, other = read(paths, pattern=PATTERN), read(paths[::-1], pattern=PATTERN)
    assert first.responses.identical(other.responses)
    assert first.report == other.report


def test_no_path_of_the_machine_is_in_the_report(tmp_path):
    for folder in ("hor", "ver"):
        (tmp_path / folder).mkdir()
        write(tmp_path / folder / "0.txt", (FREQUENCY, piston_box(FREQUENCY, 0)[0]))
    reading = read(sorted(tmp_path.glob("*/*.txt")), pattern="{plane}/{angle}.txt")
    assert str(tmp_path) not in "\n".join(reading.report)
    with pytest.raises(InputError, match=r"^hor/0\.txt: ") as refused:
        read(sorted(tmp_path.glob("*/*.txt")), pattern="{plane}/{angle}.csv")
    assert str(tmp_path) not in str(refused.value)


def test_raw_files_stay_as_they_are_and_may_be_read_only(tmp_path):
    paths = write_orbits(tmp_path, FREQUENCY)
    for path in paths:
        path.chmod(stat.S_IRUSR)
    before = {path: (sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) for path in paths}
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        read(paths, pattern=PATTERN)
        anechain_delimited.anechain_identify(paths[0])
        assert sorted(tmp_path.iterdir()) == sorted(paths)
    finally:
        tmp_path.chmod(stat.S_IRWXU)
    assert before == {path: (sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) for path in paths}


def test_all_bad_files_are_named_at_once_one_problem_each(tmp_path):
    good = write_orbits(tmp_path, FREQUENCY)
    (tmp_path / "oak hor 40.txt").write_text("only words\n")
    (tmp_path / "oak hor 50.txt").write_bytes(b"\0\1\2")
    (tmp_path / "oak tilted 60.txt").write_text("20 85\n25 x\n31.5 86\n")
    (tmp_path / "elm.txt").write_text("20 85\n25 86\n")
    with pytest.raises(InputError) as refused:
        read([*good, *(p for p in tmp_path.iterdir() if p not in good)], pattern=PATTERN)
    problems = {problem.where: problem.what for problem in refused.value.problems}
    assert len(refused.value.problems) == len(problems) == 4
    assert "no row of at least two numbers" in problems["oak hor 40.txt"]
    assert "control character" in problems["oak hor 50.txt"]
    assert "'tilted'" in problems["oak tilted 60.txt"]
    assert "line 2: '25 x'" in problems["oak tilted 60.txt"]
    assert "does not fit the pattern" in problems["elm.txt"]


def test_a_file_that_is_gone_is_refused(tmp_path):
    paths = [*write_orbits(tmp_path, FREQUENCY), tmp_path / "oak hor 90.txt"]
    with pytest.raises(InputError, match=r"oak hor 90\.txt: cannot be read"):
        read(paths, pattern=PATTERN)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, "neither is given"),
        ({"pattern": PATTERN, "manifest": Path("list.csv")}, "both are given"),
        ({"pattern": PATTERN, "separator": "comma", "decimal": "comma"}, "both comma"),
        ({"pattern": "{plane} {side} {angle}", "positive_is": {"vertical": "down"}}, "both state the side"),
    ],
)
def test_options_that_contradict_each_other_are_refused(tmp_path, options, expected):
    with pytest.raises(InputError, match=expected):
        read(write_orbits(tmp_path, FREQUENCY), **options)


def test_no_files_are_refused():
    with pytest.raises(InputError, match="no files"):
        read([], pattern=PATTERN)


def test_a_direction_given_twice_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"horizontal 180° is given twice"):
        read(write_orbits(tmp_path, FREQUENCY, (-180, 0, 180)), pattern=PATTERN)


def test_turned_angles_reach_the_dataset(tmp_path):
    reading = read(write_orbits(tmp_path, FREQUENCY, (0, 30)), pattern=PATTERN, positive_is={"horizontal": "right"})
    measured = reading.responses.measured
    assert measured.sel(plane="horizontal", angle=-30) == 1
    assert measured.sel(plane="vertical", angle=-30) == 0
    assert any("sign of horizontal angles reversed" in line for line in reading.report)


def test_a_manifest_instead_of_a_pattern(tmp_path):
    paths = []
    for number, angle in enumerate((0, 10, -10)):
        level, _ = piston_box(FREQUENCY, angle)
        paths.append(write(tmp_path / f"{number:03}.txt", (FREQUENCY, level)))
    manifest = tmp_path / "directions.csv"
    manifest.write_text("file;plane;angle\n000.txt;hor;0\n001.txt;hor;10\n002.txt;hor;350\n")
    for given_as in (manifest, Path("directions.csv")):
        reading = read([*paths, manifest], manifest=given_as)
        np.testing.assert_array_equal(reading.responses.angle, [-10, 0, 10])
        assert any("directions.csv is the manifest" in line for line in reading.report)
    assert DelimitedOptions(manifest=manifest).companion_files() == (manifest,)
    assert DelimitedOptions(pattern=PATTERN).companion_files() == ()
    with pytest.raises(InputError, match="no files besides the manifest"):
        only_header = tmp_path / "empty.csv"
        only_header.write_text("file,plane,angle\n")
        read([only_header], manifest=only_header)
    with pytest.raises(InputError, match=r"absent\.csv: cannot be read"):
        read(paths, manifest=Path("absent.csv"))
    with pytest.raises(InputError) as refused:
        read([*paths, write(tmp_path / "x.txt", ([20.0], [85.0]))], manifest=manifest)
    (problem,) = refused.value.problems
    assert "not listed in directions.csv; 1 row above 0 Hz" in problem.what


def test_pascals_are_sound_pressure_levels(tmp_path):
    level, _ = piston_box(FREQUENCY, 0)
    write(tmp_path / "oak h 0.txt", (FREQUENCY, 20e-6 * 10 ** (level / 20)), Style(places=9))
    reading = read([tmp_path / "oak h 0.txt"], pattern=PATTERN, level_scale="pascal")
    assert reading.responses.attrs["level_kind"] == "spl"
    np.testing.assert_allclose(reading.responses.level[0, 0], level, atol=2e-4)


def test_phase_that_some_files_lack_is_removed_and_reported(tmp_path):
    paths = write_orbits(tmp_path, FREQUENCY)
    write(paths[0], (FREQUENCY, piston_box(FREQUENCY, -30)[0]))
    reading = read(paths, pattern=PATTERN)
    assert "phase" not in reading.responses
    assert any("phase dropped: only 5 of 6" in line for line in reading.report)


def test_a_shorter_file_is_caught_by_the_others_and_alone_named(tmp_path):
    paths = write_orbits(tmp_path, FREQUENCY)
    lines = paths[0].read_text().splitlines(keepends=True)
    paths[0].write_text("".join(lines[:-5]))
    with pytest.raises(InputError) as refused:
        read(paths, pattern=PATTERN)
    (problem,) = refused.value.problems
    assert problem.where == paths[0].name or problem.where.endswith("-30.txt")
    assert "116 frequencies" in problem.what


@pytest.mark.parametrize("length", range(100, 2700, 100))
def test_a_file_cut_at_any_length_is_refused(tmp_path, length):
    paths = write_orbits(tmp_path, FREQUENCY)
    raw = paths[2].read_bytes()
    assert length < len(raw)
    paths[2].write_bytes(raw[:length])
    with pytest.raises(InputError, match=r"oak hor 30\.txt"):
        read(paths, pattern=PATTERN)


def test_resampling_when_grids_differ_and_only_then(tmp_path):
    paths = write_orbits(tmp_path, np.geomspace(20, 20000, 2001), (-30, 0))
    wanted = {"low": 20, "high": 20000, "per_octave": 24}
    same = read(paths, pattern=PATTERN, resample=wanted)
    assert same.responses.sizes["frequency"] == 2001
    assert any("not resampled" in line for line in same.report)
    paths += write_orbits(tmp_path, np.geomspace(40, 18000, 1700), (30,))
    with pytest.raises(InputError, match="resampling"):
        read(paths, pattern=PATTERN)
    reading = read(paths, pattern=PATTERN, resample=wanted)
    frequency = reading.responses.frequency.to_numpy()
    assert frequency[0] >= 40
    assert frequency[-1] <= 18000
    for angle in (-30, 0, 30):
        level, phase = piston_box(frequency, angle)
        at = reading.responses.sel(plane="vertical", angle=angle)
        keep = level > 60  # away from the nulls, which no grid resolves
        np.testing.assert_allclose(at.level[keep], level[keep], atol=0.02)
        smooth = keep & (frequency < 10000)
        np.testing.assert_allclose(
            (at.phase - phase)[smooth] % 360 - 360 * ((at.phase - phase)[smooth] % 360 > 180), 0, atol=0.05
        )
    assert any("starts at 40 Hz" in line for line in reading.report)


def test_gaps_on_demand_reach_the_dataset(tmp_path):
    (tmp_path / "oak h 0.txt").write_text("20;85;\n25;;\n31.5;87;\n")
    reading = read([tmp_path / "oak h 0.txt"], pattern=PATTERN, missing="keep")
    np.testing.assert_array_equal(reading.responses.level[0, 0], [85, np.nan, 87])
    assert any("oak h 0.txt: level missing at 25 Hz" in line for line in reading.report)


def identify(tmp_path, data):
    path = tmp_path / "some.file"
    path.write_bytes(data)
    return anechain_delimited.anechain_identify(path)


@pytest.mark.parametrize(
    ("data", "confidence"),
    [
        (b"20 85\n25 86\n31.5 87\n", LIKELY),
        (b"Freq;SPL\r\n20;85,1\r\n25;86,2\r\n31,5;87,3\r\n", LIKELY),
        ("20\t85\n25\t86\n31.5\t87\n".encode("utf-16"), LIKELY),
        (b"20 85\n25 86\n25 87\n", POSSIBLE),
        (b"20 85\n", POSSIBLE),
        (b"20 85\n25 86 1\n", POSSIBLE),
        (b"1000,5,80,2\n2000,5,81,4\n", POSSIBLE),
        (b"words and words\n", NO),
        (b"\x89HDF\r\n\x1a\n\0\0\0", NO),
        (b"RIFF\x24\x08\0\0WAVEfmt ", NO),
        (b"\n", NO),
    ],
)
def test_identify(tmp_path, data, confidence):
    verdict = identify(tmp_path, data)
    assert verdict.confidence == confidence
    assert verdict.reason


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "utf-16"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_identify_looks_at_the_start_only(tmp_path, encoding, line_end):
    frequency = np.linspace(20, 20000, 20000)
    style = Style(encoding=encoding, line_end=line_end, footer=("end",))
    path = write(tmp_path / "long.txt", (frequency, piston_box(frequency, 0)[0]), style)
    with path.open("ab") as file:
        file.write(b"\0\1\2")
    verdict = anechain_delimited.anechain_identify(path)
    assert verdict.confidence == LIKELY
    assert int(verdict.reason.split()[0]) < 20000


def test_identify_of_a_file_that_cannot_be_read(tmp_path):
    assert anechain_delimited.anechain_identify(tmp_path / "absent").confidence == NO
    assert anechain_delimited.anechain_identify(tmp_path).confidence == NO


@given(st.one_of(st.binary(max_size=300), st.text(alphabet="0123456789.,;\t \n#a-", max_size=100).map(str.encode)))
def test_identify_never_raises(tmp_path_factory, data):
    verdict = identify(tmp_path_factory.getbasetemp(), data)
    assert 0 <= verdict.confidence <= LIKELY


def test_the_hooks_are_those_of_the_core(tmp_path):
    manager = pluggy.PluginManager("anechain")
    manager.add_hookspecs(ImporterHooks)
    manager.register(anechain_delimited)
    manager.check_pending()
    paths = write_orbits(tmp_path, FREQUENCY)
    (reading,) = manager.hook.anechain_read(paths=paths, options=DelimitedOptions(pattern=PATTERN))
    assert reading.responses.sizes == {"plane": 2, "angle": 3, "frequency": 121}


def test_every_option_is_described():
    description = anechain_delimited.anechain_describe()
    assert description.options is DelimitedOptions
    for name, field in DelimitedOptions.model_fields.items():
        assert field.description, name


@pytest.mark.skipif("ANECHAIN_REFERENCE_DATA" not in os.environ, reason="ANECHAIN_REFERENCE_DATA is not set")
def test_open_data_that_others_wrote(tmp_path):
    # The acoustic_toolbox project's table of IEC 61672-1:2013 weightings (BSD-3): nominal frequencies, then A, C and Z.
    # The standard's equation for C (its poles at 20.599 and 12194 Hz) gives the same to the table's 0.1 dB.
    (path,) = Path(os.environ["ANECHAIN_REFERENCE_DATA"]).glob("*/iec_61672_1_2013.csv")
    assert anechain_delimited.anechain_identify(path).confidence >= POSSIBLE
    (tmp_path / "oak h 0.csv").symlink_to(path)
    wanted = {"frequency": "nominal", "level": "C"}
    reading = read([tmp_path / "oak h 0.csv"], pattern="oak {plane} {angle}.csv", columns=wanted)
    nominal = reading.responses.frequency.to_numpy()
    exact = 1000 * 10 ** (np.round(10 * np.log10(nominal / 1000)) / 10)
    weighting = 20 * np.log10(12194.217**2 * exact**2 / (exact**2 + 20.598997**2) / (exact**2 + 12194.217**2))
    np.testing.assert_allclose(reading.responses.level[0, 0], weighting + 0.062, atol=0.06)
    assert nominal.size == 34
    assert any("columns ignored: 1 (n), 3 (A), 5 (Z)" in line for line in reading.report)


@pytest.mark.parametrize("way", ["pattern", "manifest"])
def test_takes_of_a_direction_are_joined(tmp_path, way):
    """Takes 0, 1 and 2 dB up: 1.0764 dB in the mean square, 1 dB of standard deviation; 30 degrees were taken once."""
    level, phase = piston_box(FREQUENCY, 0.0)
    rows = ["file,plane,angle,take"]
    for take in range(3):
        write(tmp_path / f"oak hor 0 {take + 1}.txt", (FREQUENCY, level + take, phase))
        rows.append(f"oak hor 0 {take + 1}.txt,hor,0,{take + 1}")
    write(tmp_path / "oak hor 30 1.txt", (FREQUENCY, *piston_box(FREQUENCY, 30.0)))
    (tmp_path / "list.csv").write_text("\n".join([*rows, "oak hor 30 1.txt,hor,30,"]))
    options = {"pattern": "oak {plane} {angle} {take}.txt"} if way == "pattern" else {"manifest": tmp_path / "list.csv"}
    reading = read(sorted(tmp_path.glob("*.txt")), **options)
    on_axis = reading.responses.sel(plane="horizontal", angle=0)
    np.testing.assert_allclose(on_axis.level, level + 1.0764, atol=0.0011)
    np.testing.assert_allclose(on_axis.level_std, 1.0, atol=0.001)
    np.testing.assert_allclose(on_axis.phase, phase, atol=0.0011)
    assert reading.responses.takes.values.tolist() == [[3, 1]]
    assert any("3 takes of 1 of 2 directions" in line for line in reading.report)
    data = reading.responses.assign_attrs(
        device="oak", title="Oak", level_kind="relative", importer="delimited", importer_version="1", datasets="none"
    )
    contract.validate(contract.describe(data.assign_attrs(import_report=""), "responses"), "responses", "oak")


def test_takes_without_different_names_are_refused(tmp_path):
    for take in (1, 2):
        write(tmp_path / f"oak hor 0 {take}.txt", (FREQUENCY, piston_box(FREQUENCY, 0.0)[0]))
    with pytest.raises(InputError, match=r"horizontal 0° is given twice, the first time by oak hor 0 1\.txt"):
        read(sorted(tmp_path.glob("*.txt")), pattern="oak {plane} {angle} {any}.txt")
