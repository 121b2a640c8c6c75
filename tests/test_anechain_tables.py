import stat
from hashlib import sha256

import numpy as np
import openpyxl
import pandas as pd
import pytest

import anechain_tables
import physics
from anechain.acoustics.curve.levels import level_of_power
from anechain.acoustics.directivity.directions import angle_between, unit_vectors
from anechain.acoustics.directivity.sphere import sphere_mean_level
from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE
from anechain_tables.options import TablesOptions
from anechain_tables.titles import standard_direction
from delimited_files import piston_box

FREQUENCY = np.round(np.geomspace(20, 20000, 61), 3)
ANGLES = (-170.0, -90.0, -10.0, 0.0, 10.0, 90.0, 180.0)
PLANES = {"horizontal": "H", "vertical": "V"}


def read(paths, **options):
    return anechain_tables.anechain_read([paths] if not isinstance(paths, list) else paths, TablesOptions(**options))


def level_of(plane, angle):
    # The planes differ, so that one taken for the other shows: a piston in a box, seen 15 degrees farther off axis.
    return np.round(piston_box(FREQUENCY, angle if plane == "horizontal" else angle + 15)[0], 3)


def wide():
    columns = {f"{short}{angle:g}": level_of(plane, angle) for plane, short in PLANES.items() for angle in ANGLES}
    # 0 and 180 degrees are the same directions on both orbits.
    for pole in ("0", "180"):
        columns[f"V{pole}"] = columns[f"H{pole}"]
    return pd.DataFrame({"Frequency [Hz]": FREQUENCY, **columns})


def long():
    frames = [
        pd.DataFrame(
            {"frequency": FREQUENCY, "plane": plane, "angle": float(angle), "level": wide()[f"{short}{angle:g}"]}
        )
        for plane, short in PLANES.items()
        for angle in ANGLES
    ]
    return pd.concat(frames, ignore_index=True)


def save(frame, path):
    if path.suffix == ".parquet":
        frame.to_parquet(path, index=False)
    elif path.suffix == ".xlsx":
        frame.to_excel(path, index=False)
    else:
        frame.to_csv(path, index=False, sep={".csv": ",", ".tsv": "\t"}[path.suffix])
    return path


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".xlsx", ".parquet"])
@pytest.mark.parametrize("frame", [wide, long])
def test_wide_and_long_in_every_format_give_one_dataset(tmp_path, suffix, frame):
    # Written by pandas, with openpyxl and pyarrow: independent of what reads here but for the containers.
    responses = read(save(frame(), tmp_path / f"oak{suffix}")).responses
    np.testing.assert_array_equal(responses.frequency, FREQUENCY)
    np.testing.assert_array_equal(responses.angle, ANGLES)
    for plane in PLANES:
        for angle in ANGLES:
            expected = level_of("horizontal" if angle in (0, 180) else plane, angle)
            np.testing.assert_array_equal(responses.level.sel(plane=plane, angle=angle), expected)
    assert "level_kind" not in responses.attrs
    reference = read(save(wide(), tmp_path / "reference.csv")).responses
    assert responses.identical(reference)


@pytest.mark.parametrize("seed", [0, 1])
def test_the_order_of_a_long_table_across_directions_does_not_count(tmp_path, seed):
    by_frequency = long().sort_values(["frequency", "plane", "angle"]).reset_index(drop=True)
    shuffled = by_frequency.groupby("frequency").sample(frac=1, random_state=seed).reset_index(drop=True)
    assert not shuffled.equals(long())
    expected = read(save(long(), tmp_path / "one.csv")).responses
    assert read(save(shuffled, tmp_path / "other.csv")).responses.identical(expected)


@pytest.mark.parametrize(
    ("title", "expected"),
    [
        ("10", ("", 10)),
        ("-10°", ("", -10)),
        ("−10.5 deg", ("", -10.5)),
        ("H10", ("h", 10)),
        ("V-10", ("v", -10)),
        ("vertical +7,5", ("vertical", 7.5)),
        ("hor_30", ("hor", 30)),
        ("H 10 (dB)", ("h", 10)),
        ("trace 1", None),
        ("10 20", None),
        ("comment", None),
        ("", None),
    ],
)
def test_titles_that_are_directions(title, expected):
    assert standard_direction(title, {"h", "hor", "horizontal", "v", "ver", "vertical"}) == expected


def test_angles_alone_need_a_plane(tmp_path):
    frame = pd.DataFrame({"f": FREQUENCY, "0": level_of("horizontal", 0), "10": level_of("horizontal", 10)})
    path = save(frame, tmp_path / "oak hor.csv")
    with pytest.raises(InputError, match=r"'0' states an angle but no plane") as refused:
        read(path)
    assert len(refused.value.problems) == 2
    assert list(read(path, plane="vertical").responses.plane.values) == ["vertical"]
    other = save(frame, tmp_path / "oak ver.csv")
    both = read([path, other], plane={"oak hor.csv": "horizontal", "oak ver.csv": "vertical"}).responses
    assert list(both.plane.values) == ["horizontal", "vertical"]


def test_sheets_of_a_workbook_by_name(tmp_path):
    path = tmp_path / "oak.xlsx"
    with pd.ExcelWriter(path) as book:
        for name, plane in (("Round", "horizontal"), ("Over", "vertical")):
            pd.DataFrame({"f": FREQUENCY, 0: level_of("horizontal", 0), 10: level_of(plane, 10)}).to_excel(
                book, sheet_name=name, index=False
            )
        pd.DataFrame({"remark": ["windy"]}).to_excel(book, sheet_name="Notes", index=False)
    with pytest.raises(InputError, match="it has the sheets Round, Over, Notes"):
        read(path)
    with pytest.raises(InputError, match="no sheet 'Rund'"):
        read(path, sheets=["Rund"], plane="horizontal")
    both = read(path, plane={"Round": "horizontal", "Over": "vertical"}).responses
    np.testing.assert_array_equal(both.level.sel(plane="vertical", angle=10), level_of("vertical", 10))
    alone = read(path, sheets=["Over"], plane="horizontal").responses
    np.testing.assert_array_equal(alone.level.sel(plane="horizontal", angle=10), level_of("vertical", 10))


def test_a_pattern_reads_other_titles_with_phases(tmp_path):
    frame = pd.DataFrame({"Freq/Hz": FREQUENCY})
    for angle in (0, 30):
        level, phase = piston_box(FREQUENCY, angle)
        frame[f"p/V left h {angle}, dB"] = np.round(level, 4)
        frame[f"arg left h {angle}"] = np.deg2rad(phase)
    frame["remark"] = "x"
    options = {
        "pattern": "p/V {side} {plane} {angle}, dB",
        "phase_pattern": "arg {side} {plane} {angle}",
        "phase_unit": "radian",
    }
    path = save(frame, tmp_path / "oak.csv")
    with pytest.raises(InputError, match="column title 'remark' does not fit the pattern"):
        read(path, **options)
    reading = read(path, ignore=["remark"], **options)
    level, phase = piston_box(FREQUENCY, 30)
    np.testing.assert_allclose(reading.responses.level.sel(plane="horizontal", angle=30), np.round(level, 4))
    np.testing.assert_allclose(reading.responses.phase.sel(plane="horizontal", angle=30), phase, atol=1e-9)
    assert any("remark" in line for line in reading.report)


def test_right_and_down_can_be_positive(tmp_path):
    path = save(wide(), tmp_path / "oak.csv")
    turned = read(path, positive_is={"horizontal": "right"})
    expected = level_of("horizontal", 10)
    np.testing.assert_array_equal(turned.responses.level.sel(plane="horizontal", angle=-10), expected)
    assert any("positive is right" in line for line in turned.report)
    again = read(save(long(), tmp_path / "long.csv"), positive_is={"horizontal": "right"})
    assert again.responses.identical(turned.responses)


@pytest.mark.parametrize("scale", ["pascal", "linear"])
def test_magnitudes(tmp_path, scale):
    reference = {"pascal": 20e-6, "linear": 1.0}[scale]  # 20 µPa: ISO 1683
    magnitude = reference * 10 ** (level_of("horizontal", 10) / 20)
    path = save(pd.DataFrame({"kHz": FREQUENCY / 1000, "h0": magnitude, "h10": magnitude}), tmp_path / "oak.parquet")
    with pytest.raises(InputError, match="frequency in kilohertz"):
        read(path, level_scale=scale)
    responses = read(path, level_scale=scale, frequency_unit="kilohertz").responses
    np.testing.assert_allclose(responses.level.sel(plane="horizontal", angle=10), level_of("horizontal", 10))
    np.testing.assert_allclose(responses.frequency, FREQUENCY)
    assert responses.attrs["level_kind"] == {"pascal": "spl", "linear": "relative"}[scale]
    with pytest.raises(InputError, match="negative values"):
        read(save(pd.DataFrame({"f": [10, 20], "h0": [1, -1]}), tmp_path / "negative.csv"), level_scale=scale)


@pytest.mark.parametrize(("separator", "decimal"), [(";", ","), ("\t", ","), (",", "."), (";", ".")])
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_dialects_of_text(tmp_path, separator, decimal, encoding):
    path = tmp_path / "oak.txt"
    body = wide().to_csv(sep=separator, decimal=decimal, index=False)
    path.write_bytes(f"Bench 3, 21 °C\r\n\r\n{body}".encode(encoding))
    reading = read(path)
    np.testing.assert_array_equal(reading.responses.level.sel(plane="horizontal", angle=10), level_of("horizontal", 10))
    assert any("before the titles, skipped: 2" in line for line in reading.report)


def test_a_whole_sphere_from_a_long_table(tmp_path):
    # Cardioid along the file's +y; its true directivity factor is 3 (Beranek and Mellow, first-order patterns).
    azimuth, elevation = (one.ravel() for one in np.meshgrid(np.arange(0, 360, 10), np.arange(-80, 81, 10)))
    azimuth, elevation = np.append(azimuth, [0, 0]), np.append(elevation, [-90, 90])
    off_axis = angle_between(unit_vectors(azimuth, elevation), [0, 1, 0])
    # One null has no level; it lies 120 dB down here.
    level = physics.level(np.maximum(np.abs(physics.cardioid(off_axis)), 1e-6))
    frame = pd.concat(
        [
            pd.DataFrame({"freq": frequency, "azimuth": azimuth, "elevation": elevation, "spl": level})
            for frequency in (100.0, 200.0)
        ]
    )
    path = save(frame, tmp_path / "oak.parquet")
    with pytest.raises(InputError, match="`reference_axis` is not given"):
        read(path)
    reading = read(path, reference_axis="+y", up="+z")
    on_axis = reading.responses.level.sel(plane="horizontal", angle=0).values
    index = on_axis - sphere_mean_level(reading.sphere.level.values, reading.sphere.weight.values)
    np.testing.assert_allclose(index, level_of_power(3.0), atol=0.03)  # what a 10 degree grid is good for
    for plane in PLANES:
        for angle in (-90, -60, 0, 30, 120):
            expected = physics.level(physics.cardioid(angle))
            np.testing.assert_allclose(reading.responses.level.sel(plane=plane, angle=angle), expected, atol=1e-9)


def change(text, row, column, cell):
    lines = text.split("\n")
    cells = lines[row].split(",")
    cells[column] = cell
    lines[row] = ",".join(cells)
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda text: change(text, 5, 3, "loud"), "row 6, column 'H-10': 'loud' is not a number"),
        (lambda text: change(text, 5, 3, ""), "column 'H-10': 1 of 61 values are not a finite level"),
        (lambda text: change(text, 5, 0, "20"), "row 6: frequency 20 Hz after"),
        (lambda text: change(text, 5, 0, ""), "row 6: the frequency is empty"),
        (lambda text: change(text, 5, 0, "-4"), "row 6: the frequency is -4 Hz"),
        (lambda text: change(text, 5, 3, "1,5"), "row 6 has 16 cells for 15 titles"),
        (lambda text: change(text, 0, 3, "H1O"), "column title 'H1O' states no direction"),
        (lambda text: change(text, 0, 3, "H400"), "more than a full turn"),
        (lambda text: change(text, 0, 3, "H-90"), "given twice"),
        (lambda text: change(text, 0, 1, "Freq"), "'Freq' may all be the frequency"),
        (lambda text: change(text, 0, 0, "x"), "no row of titles names a frequency"),
        (lambda text: text[: len(text) // 2], "cells for 15 titles|cut short"),
        (lambda text: text.split("\n")[0], "no rows below the titles"),
    ],
)
def test_a_bad_wide_table_is_refused_with_a_mend(tmp_path, damage, words):
    path = tmp_path / "oak.csv"
    frame = wide()
    path.write_text(damage(frame.to_csv(index=False, float_format="%.3f")))
    with pytest.raises(InputError, match=words) as refused:
        read(path)
    assert all(problem.fix and str(tmp_path) not in str(problem) for problem in refused.value.problems)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda frame: frame.drop(columns="plane"), "no column is the plane"),
        (lambda frame: frame.assign(plane=frame.plane.replace("vertical", "slanted")), "plane 'slanted' is unknown"),
        (lambda frame: frame.assign(angle=frame.angle * 10), "angle is -1700"),
        (lambda frame: pd.concat([frame, frame.iloc[[5]]]), "frequency of horizontal -170° 35.566 Hz after 20000"),
        (lambda frame: frame.drop(index=3), "60 frequencies, but|61 frequencies, but"),
        (lambda frame: frame.assign(level=np.nan), "every level is missing"),
        (lambda frame: frame.assign(level="loud"), "'loud' is not a number"),
    ],
)
@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".xlsx"])
def test_a_bad_long_table_is_refused_with_a_mend(tmp_path, damage, words, suffix):
    with pytest.raises(InputError, match=words) as refused:
        read(save(damage(long()), tmp_path / f"oak{suffix}"))
    assert all(problem.fix for problem in refused.value.problems)


def test_gaps_are_kept_only_when_asked_for_and_named(tmp_path):
    frame = wide()
    frame.loc[7, "H10"] = np.nan
    for suffix in (".csv", ".xlsx", ".parquet"):
        path = save(frame, tmp_path / f"oak{suffix}")
        reading = read(path, missing="keep")
        assert int(np.isnan(reading.responses.level).sum()) == 1
        assert any("level of 'H10' missing at" in line for line in reading.report)


def test_all_bad_files_are_named_at_once(tmp_path):
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for path in paths:
        path.write_text("f,h0,h10\n10,1,x\n20,1,y\n")
    with pytest.raises(InputError) as refused:
        read(paths)
    assert {problem.where for problem in refused.value.problems} == {"a.csv", "b.csv"}


def test_what_a_spreadsheet_made_of_the_numbers_is_refused(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["f", "h0", "h10"])
    book.active.append([10, 1, pd.Timestamp("2026-02-01").to_pydatetime()])
    book.active.append([20, "=A1+1", 2])
    book.save(tmp_path / "oak.xlsx")
    with pytest.raises(InputError) as refused:
        read(tmp_path / "oak.xlsx")
    said = str(refused.value)
    assert "row 2, column 'h10': '2026-02-01 00:00:00' is not a number" in said
    assert "column 'h0': 1 of 2 values are not a finite level" in said  # a formula without a computed value


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".parquet"])
def test_a_file_cut_at_any_length_is_refused_or_read_without_a_traceback(tmp_path, suffix):
    whole = save(wide(), tmp_path / f"oak{suffix}").read_bytes()
    path = tmp_path / f"cut{suffix}"
    for length in np.linspace(1, len(whole) - 1, 25).astype(int):
        path.write_bytes(whole[:length])
        verdict = anechain_tables.anechain_identify(path)
        assert 0 <= verdict.confidence <= 1
        try:
            reading = read(path)
        except InputError:
            continue
        # Text that ends between two rows looks like a shorter measurement, and one that lacks its last line end may
        # lack digits too, which is reported; nothing else passes.
        unsure = any("its last number may be incomplete" in line for line in reading.report)
        assert suffix == ".csv" and (unsure or reading.responses.frequency.size < FREQUENCY.size)


def test_raw_files_stay_as_they_are_and_may_be_read_only(tmp_path):
    paths = [save(wide(), tmp_path / f"oak{suffix}") for suffix in (".csv", ".xlsx", ".parquet")]
    before = [(sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) for path in paths]
    for path in paths:
        path.chmod(stat.S_IRUSR)
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        for path in paths:
            read(path)
        assert sorted(tmp_path.iterdir()) == sorted(paths)
    finally:
        tmp_path.chmod(stat.S_IRWXU)
    assert [(sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) for path in paths] == before


def test_a_missing_file_is_no_traceback(tmp_path):
    assert anechain_tables.anechain_identify(tmp_path / "none.csv").confidence == NO
    with pytest.raises(InputError, match="cannot be read"):
        read(tmp_path / "none.csv")


def test_identify_goes_by_the_titles(tmp_path):
    def verdict(text):
        path = tmp_path / "oak.txt"
        path.write_text(text)
        return anechain_tables.anechain_identify(path).confidence

    assert verdict("Hz,0,10\n20,1,2\n") > LIKELY
    assert verdict("freq\tplane\tangle\tspl\n20\th\t0\t80\n") > LIKELY
    assert verdict("Hz,SPL,phase\n20,1,2\n") == NO
    assert verdict("20,1,2\n30,1,2\n") == NO
    assert 0 < verdict("Hz,trace 1,trace 2,trace 3,trace 4\n20,1,2,3,4\n") < POSSIBLE
    assert anechain_tables.anechain_identify(save(wide(), tmp_path / "oak.xlsx")).confidence > LIKELY
    assert anechain_tables.anechain_identify(save(long(), tmp_path / "oak.parquet")).confidence > LIKELY


def test_every_option_is_described():
    assert all(field.description for field in TablesOptions.model_fields.values())
