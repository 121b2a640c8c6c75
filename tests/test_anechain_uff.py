import os
import stat
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import pyuff
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

import anechain_uff
from anechain.errors import InputError
from anechain.hooks import CERTAIN, NO, POSSIBLE
from anechain_uff.functions import functions_of
from anechain_uff.options import UffOptions
from delimited_files import piston_box
from uff_files import FREQUENCY, pressure, write

NODES = {
    1: {"plane": "horizontal", "angle": 0},
    2: {"plane": "horizontal", "angle": 30},
    3: {"plane": "vertical", "angle": -30},
}
FIRST = {1: NODES[1]}


def read(paths, **options):
    paths = paths if isinstance(paths, list) else [paths]
    return anechain_uff.anechain_read(paths, UffOptions(**options))


def expected(angle):
    return piston_box(FREQUENCY[1:], angle)[0]


@pytest.mark.parametrize("binary", [0, 1])
@pytest.mark.parametrize("spacing", [0, 1])
def test_responses_that_another_library_wrote(tmp_path, binary, spacing):
    path = write(tmp_path / "rowan.uff", binary=binary, abscissa_spacing=spacing)
    reading = read(path, nodes=NODES)
    np.testing.assert_allclose(reading.responses.frequency, FREQUENCY[1:], rtol=1e-6)
    for plane, angle in (("horizontal", 0), ("horizontal", 30), ("vertical", -30)):
        at = reading.responses.sel(plane=plane, angle=angle)
        np.testing.assert_allclose(at.level, expected(angle), atol=1e-4)
        np.testing.assert_allclose(at.phase, piston_box(FREQUENCY[1:], angle)[1], atol=1e-3)
    assert reading.responses.attrs["level_kind"] == "spl"
    assert any("0 Hz dropped" in line for line in reading.report)


def test_a_wrong_count_of_bytes_is_told(tmp_path):
    # pyuff 2.5 announces half the bytes of complex numbers, and writes the stored abscissa of doubles as doubles.
    for spacing in (0, 1):
        report = read(write(tmp_path / "rowan.uff", binary=1, abscissa_spacing=spacing), nodes=NODES).report
        assert any("announces 808 bytes" in line and "the dataset closes there" in line for line in report)


@pytest.mark.parametrize("order", [1, 2])
def test_a_stored_single_precision_abscissa_beside_doubles(tmp_path, order):
    # The layout of the format's description: E13.5 and E20.12 in text are 4 and 8 bytes in binary.
    records = np.zeros(FREQUENCY.size, np.dtype([("x", "<f4"), ("real", "<f8"), ("imaginary", "<f8")]))
    records["x"], records["real"], records["imaginary"] = FREQUENCY, pressure(30).real, pressure(30).imag
    data = records.astype(records.dtype.newbyteorder("<" if order == 1 else ">")).tobytes()
    text = write(tmp_path / "rowan.uff", [30], ord_data_type=6, abscissa_spacing=0).read_bytes().split(b"\n")
    text[1] = b"    58b%6d%6d%12d%12d%6d%6d%12d%12d" % (order, 2, 11, len(data), 0, 0, 0, 0)
    (tmp_path / "rowan.uff").write_bytes(b"\n".join(text[:13]) + b"\n" + data + b"    -1\n")
    reading = read(tmp_path / "rowan.uff", nodes={1: NODES[2]})
    np.testing.assert_allclose(reading.responses.level.values[0, 0], expected(30), atol=1e-9)
    assert not any("announces" in line for line in reading.report)


def test_a_value_that_is_no_number_is_refused(tmp_path):
    path = write(tmp_path / "rowan.uff", [0])
    lines = path.read_text().splitlines(keepends=True)
    for cell, words in (
        ("NaN", "not finite"),
        ("1x5", "line 17: .* contains text that is not a number"),
    ):
        path.write_text("".join([*lines[:16], f"{cell:>20}" + lines[16][20:], *lines[17:]]))
        with pytest.raises(InputError, match=words):
            read(path, nodes=NODES)


@pytest.mark.parametrize("field", ["id1", "file"])
def test_the_direction_from_a_text_or_the_file(tmp_path, field):
    if field == "file":
        paths = [write(tmp_path / f"rowan h {angle}.uff", [angle]) for angle in (0, 30)]
        responses = read(paths, pattern="rowan {plane} {angle}.uff").responses
    else:
        responses = read(
            write(tmp_path / "rowan.uff", [0, 30]), direction_from="id1", pattern="rowan {plane} {angle}"
        ).responses
    np.testing.assert_allclose(responses.sel(plane="horizontal", angle=30).level, expected(30), atol=1e-4)


def test_a_manifest(tmp_path):
    paths = [write(tmp_path / f"take {number}.uff", [angle]) for number, angle in enumerate((0, 30))]
    manifest = tmp_path / "places.csv"
    manifest.write_text("file,plane,angle\ntake 0.uff,h,0\ntake 1.uff,h,30\n")
    responses = read([*paths, manifest], manifest=manifest).responses
    np.testing.assert_allclose(responses.sel(plane="horizontal", angle=30).level, expected(30), atol=1e-4)
    manifest.write_text("file,plane,angle\ntake 0.uff,h,0\n")
    with pytest.raises(InputError, match=r"take 1\.uff: not listed"):
        read(paths, manifest=manifest)


def test_several_functions_in_a_file_that_gives_one_direction(tmp_path):
    with pytest.raises(InputError, match="contains 3 functions, but its name states one direction"):
        read(write(tmp_path / "rowan h 0.uff"), pattern="rowan {plane} {angle}.uff")


def test_a_title_that_does_not_fit_and_a_node_without_a_place(tmp_path):
    path = write(tmp_path / "rowan.uff")
    with pytest.raises(InputError, match="id1 'rowan h 0' does not fit the pattern"):
        read(path, direction_from="id1", pattern="alder {plane} {angle}")
    with pytest.raises(InputError, match="response node 3 is not in the option"):
        read(path, nodes={1: NODES[1], 2: NODES[2]})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"ordinate_axis_units_lab": "m/s^2", "ordinate_spec_data_type": 12}, "m/s\\^2, not a sound pressure"),
        ({"ordinate_axis_units_lab": "NONE"}, r"without a unit \(pressure\)"),
        ({"func_type": 6}, "it is a coherence"),
        ({"func_type": 9}, "it is a power spectral density"),
        ({"func_type": 1}, "it is a time response"),
        ({"abscissa_axis_units_lab": "rpm", "abscissa_spec_data_type": 19}, "not a frequency in hertz: type 19"),
        ({"x": FREQUENCY[::-1]}, "do not rise"),
        ({"data": np.zeros(FREQUENCY.size, complex)}, "zero everywhere"),
    ],
)
def test_what_is_no_response_is_refused_with_a_mend(tmp_path, changes, words):
    with pytest.raises(InputError, match=words) as refused:
        read(write(tmp_path / "rowan.uff", **changes), nodes=NODES)
    assert len(refused.value.problems) == 3
    assert all(problem.fix and str(tmp_path) not in str(problem) for problem in refused.value.problems)


def test_pascal_over_volt_says_what_its_level_holds_for(tmp_path):
    path = write(tmp_path / "rowan.uff", orddenom_axis_units_lab="V")
    assert any("Pa over V: levels hold for a denominator of 1" in line for line in read(path, nodes=NODES).report)


def test_other_functions_can_be_left_out(tmp_path):
    path = write(tmp_path / "rowan.uff", [0])
    write(tmp_path / "coherence.uff", [0], func_type=6)
    path.write_bytes(path.read_bytes() + (tmp_path / "coherence.uff").read_bytes())
    with pytest.raises(InputError, match="function 2: it is a coherence"):
        read(path, nodes=NODES)
    reading = read(path, nodes=FIRST, others="leave out")
    assert any("left out: a coherence" in line for line in reading.report)


def test_an_impulse_response_only_when_declared(tmp_path):
    # A first-order low-pass sampled: h[n] = a^n has the spectrum 1 / (1 - a e^(-j w)), closed form of the series.
    a, rate, late = 0.9, 50000.0, 0.0004
    samples = a ** np.arange(2048)
    path = write(
        tmp_path / "rowan.uff",
        [0],
        func_type=1,
        data=samples,
        x=late + np.arange(2048) / rate,
        abscissa_min=late,
        abscissa_inc=1 / rate,
        abscissa_spec_data_type=17,
        abscissa_axis_units_lab="s",
    )
    with pytest.raises(InputError, match="only if it is an impulse response"):
        read(path, nodes=NODES)
    responses = read(path, nodes=FIRST, time_data="impulse response").responses
    turn = np.exp(-2j * np.pi * responses.frequency.values / rate)
    closed = 1 / (1 - a * turn) * np.exp(-2j * np.pi * responses.frequency.values * late)
    found = responses.isel(plane=0, angle=0)
    np.testing.assert_allclose(found.level, 20 * np.log10(np.abs(closed) / 20e-6), atol=1e-6)
    np.testing.assert_allclose(np.exp(1j * np.deg2rad(found.phase)), closed / np.abs(closed), atol=1e-6)


def test_numbers_that_touch_and_exponents_marked_by_d(tmp_path):
    text = write(tmp_path / "rowan.uff", [0], ord_data_type=5).read_text()
    lines = text.splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("         0    0    0    0 NONE")) + 2
    assert read(tmp_path / "rowan.uff", nodes=FIRST)
    for at in range(start, len(lines) - 1):
        lines[at] = lines[at].replace("e", "D").replace("E", "D")
    lines[start] = "".join(f"{value:12.5e}" for value in (-1.5, -2.5, 3.5, -4.5)).replace("e", "E")
    head = lines[: start + 1]
    seven = next(at for at, line in enumerate(head) if line.split()[1:2] == [str(FREQUENCY.size)])
    head[seven] = head[seven].replace(f"{FREQUENCY.size:10d}", f"{2:10d}")
    (function,), problems, _ = functions_of("\n".join([*head, "    -1", ""]).encode(), "rowan.uff")
    assert not problems
    np.testing.assert_array_equal(function.values, [-1.5 - 2.5j, 3.5 - 4.5j])


def data_of(tmp_path, binary=0):
    data = write(tmp_path / "rowan.uff", [0], binary=binary).read_bytes()
    return data.replace(b"         808", b"        1616", 1)  # what pyuff 2.5 should have announced


@pytest.mark.parametrize("binary", [0, 1])
def test_a_file_cut_at_any_length_is_refused(tmp_path, binary):
    whole = data_of(tmp_path, binary)
    mark = whole.rindex(b"    -1")
    path = tmp_path / "cut.uff"
    for length in np.linspace(1, mark - 2, 40).astype(int):
        path.write_bytes(whole[:length])
        assert 0 <= anechain_uff.anechain_identify(path).confidence <= 1
        with pytest.raises(InputError):
            read(path, nodes=FIRST)
    path.write_bytes(whole[:mark])
    reading = read(path, nodes=FIRST)
    assert any("-1 that closes the dataset is missing" in line for line in reading.report)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda data: data.replace(b"       101", b"       105"), "announces 105 points"),
        (lambda data: data.replace(b"       101", b"        99"), "announces 99 points"),
        (lambda data: data.replace(b"       101", b"         x"), "the number of points is 'x'"),
        (lambda data: data.replace(b"\n    58", b"\n    55"), "datasets 55, but no dataset 58"),
        (lambda data: b"hello\n" + data, "'hello' is outside any dataset"),
    ],
)
def test_a_damaged_file_is_refused_with_a_mend(tmp_path, damage, words):
    data = data_of(tmp_path)
    assert damage(data) != data
    (tmp_path / "rowan.uff").write_bytes(damage(data))
    with pytest.raises(InputError, match=words) as refused:
        read(tmp_path / "rowan.uff", nodes=NODES)
    assert all(problem.fix for problem in refused.value.problems)


def test_a_file_that_ends_after_its_first_function_lacks_the_other_nodes(tmp_path):
    path = write(tmp_path / "rowan.uff")
    data = path.read_bytes()
    second = data.index(b"    -1", data.index(b"    -1", 10) + 6)
    path.write_bytes(data[:second])
    with pytest.raises(InputError, match="no function has the response node 2, 3") as refused:
        read(path, nodes=NODES)
    assert "complete and all listed" in str(refused.value)


@pytest.mark.parametrize("lost", [1, 2, 4, 6, 7, 8])
@pytest.mark.parametrize("where", [1, 40, 800])
def test_bytes_that_were_lost_before_the_closing_line_shift_no_value(tmp_path, lost, where):
    data = data_of(tmp_path, 1)
    mark = data.rindex(b"    -1")
    (tmp_path / "rowan.uff").write_bytes(data[: mark - where - lost] + data[mark - where :])
    with pytest.raises(InputError, match=r"truncated|closes the dataset"):
        read(tmp_path / "rowan.uff", nodes=FIRST)


def test_binary_data_whose_line_ends_were_changed_on_the_way(tmp_path):
    data = bytearray(data_of(tmp_path, 1))
    at = data.rindex(b"    -1") - 300
    data[at : at + 1] = b"\r\n"
    (tmp_path / "rowan.uff").write_bytes(data)
    with pytest.raises(InputError, match="a transfer may have changed line ends"):
        read(tmp_path / "rowan.uff", nodes=NODES)


@pytest.mark.parametrize(("field", "value"), [(6, 9), (7, 3)])
def test_foreign_floating_point_is_refused(tmp_path, field, value):
    data = data_of(tmp_path, 1)
    line = data.split(b"\n")[1]
    start = {6: 7, 7: 13}[field]
    other = line[:start] + b"%6d" % value + line[start + 6 :]
    (tmp_path / "rowan.uff").write_bytes(data.replace(line, other, 1))
    with pytest.raises(InputError, match=r"byte order \d, floating-point format \d"):
        read(tmp_path / "rowan.uff", nodes=NODES)


@given(st.binary(max_size=300))
def test_junk_is_no_traceback(junk):
    functions, problems, _ = functions_of(b"    -1\n    58\n" + junk, "junk")
    assert functions or problems


def test_options_that_make_no_sense():
    for options in ({}, {"nodes": NODES, "pattern": "{plane} {angle}"}, {"nodes": NODES, "direction_from": "id1"}):
        with pytest.raises(ValidationError):
            UffOptions(**options)
    assert all(field.description for field in UffOptions.model_fields.values())


def test_raw_files_stay_as_they_are_and_may_be_read_only(tmp_path):
    path = write(tmp_path / "rowan.uff")
    before = sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns
    path.chmod(stat.S_IRUSR)
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        read(path, nodes=NODES)
    finally:
        tmp_path.chmod(stat.S_IRWXU)
    assert (sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) == before


def test_identify(tmp_path):
    assert anechain_uff.anechain_identify(write(tmp_path / "rowan.uff")).confidence == CERTAIN
    assert anechain_uff.anechain_identify(write(tmp_path / "rowan.uff", binary=1)).confidence == CERTAIN
    other = tmp_path / "other.uff"
    other.write_text("    -1\n   151\nname\n    -1\n")
    assert 0 < anechain_uff.anechain_identify(other).confidence < POSSIBLE
    other.write_text("-1 2 3\n58 2 3\n")
    assert anechain_uff.anechain_identify(other).confidence == NO
    assert anechain_uff.anechain_identify(tmp_path / "none.uff").confidence == NO


# Real samples: the test data of pyuff, an open repository (MIT licence).


def sample(pattern):
    folder = os.environ.get("ANECHAIN_REFERENCE_DATA")
    if not folder:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set: folder of the open reference data")
    path = next(Path(folder).glob(f"*/{pattern}"), None)
    if path is None:
        pytest.skip(f"ANECHAIN_REFERENCE_DATA does not hold {pattern}")
    return path


def functions(path):
    found, problems, _ = functions_of(path.read_bytes(), path.name)
    assert not problems
    return found


def test_the_real_pair_of_text_and_binary():
    (text,), (binary,) = functions(sample("*58_ascii.uff")), functions(sample("*58b_bin.uff"))
    assert text.ordinate_unit == binary.ordinate_unit == "Pa"
    assert text.values.size == binary.values.size == 79292
    # The text has six digits; level and peak as computed with numpy from pyuff's reading (CHECKS of the data).
    assert np.abs(text.values - binary.values).max() < 5e-7
    assert 10 * np.log10((binary.values**2).mean() / 20e-6**2) == pytest.approx(57.1131, abs=1e-4)
    assert np.abs(binary.values).max() == pytest.approx(0.141304, abs=5e-7)
    with pytest.raises(InputError, match="it is a time response"):
        read(sample("*58_ascii.uff"), nodes={1: NODES[1], 0: NODES[1]})


@pytest.mark.parametrize(
    "pattern", ["*58_ascii.uff", "*58b_bin.uff", "binary8byte.uff", "non_ascii*.uff", "*psd.uff", "time-history*.uff"]
)
def test_every_whole_real_sample_agrees_with_another_reader(pattern):
    path = sample(pattern)
    (function,) = functions(path)
    other = pyuff.UFF(str(path)).read_sets()
    np.testing.assert_allclose(function.abscissa, other["x"])
    np.testing.assert_allclose(function.values, other["data"])


def test_a_real_response_with_a_latin_1_unit():
    path = sample("non_ascii*.uff")
    with pytest.raises(InputError, match=r"\(1/N\)\*\(m/s²\), not a sound pressure"):
        read(path, nodes={0: NODES[1]})
    reading = read(path, nodes={0: NODES[1]}, quantity="relative")
    # 20 lg of |-0.0599924 - 0.055326j|, the second number pair of the file, by hand: -21.765 dB.
    assert reading.responses.level.values[0, 0, 0] == pytest.approx(-21.765, abs=1e-3)
    assert any("Latin-1" in line for line in reading.report)


def test_a_real_power_spectral_density_is_refused():
    with pytest.raises(InputError, match="it is a power spectral density"):
        read(sample("*psd.uff"), nodes={0: NODES[1]}, quantity="relative")


def test_a_real_file_that_was_cut_is_refused():
    with pytest.raises(InputError, match="announces 2508876 points, 2508876 numbers, but there are 42"):
        read(sample("*milestone*.uff"), nodes={1: NODES[1]}, time_data="impulse response")


def test_a_real_file_with_a_short_last_line_is_whole():
    (function,) = functions(sample("time-history*.uff"))
    assert function.values.size == 13 and function.ordinate_unit == "m/s²"
    assert function.values[-1] == -5.84096


def test_takes_in_files_of_their_own_are_joined(tmp_path):
    """The same pressure twice and once doubled: a mean square of 2, 3.0103 dB, takes with the same values counted."""
    paths = [
        write(tmp_path / f"rowan h 0 {take}.uff", angles=(0,), data=gain * pressure(0))
        for take, gain in (("a", 1), ("b", 1), ("c", 2))
    ]
    found = read(paths, pattern="rowan {plane} {angle} {take}.uff").responses
    np.testing.assert_allclose(found.level[0, 0], expected(0) + 3.0103, atol=1e-3)
    assert found.takes.values.tolist() == [[3]]
