import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.errors import InputError
from anechain.importing.text_table import NoTableError, read_table
from delimited_files import Style, as_text, piston_box

FREQUENCY = np.geomspace(20, 20000, 31)


def rows_of(*lines, end="\n"):
    return "".join(line + end for line in lines)


FORMATS = [
    (separator, decimal)
    for separator in ("\t", ";", ",", " ", "   ", " \t ", "; ", ", ")
    for decimal in ".,"
    if not separator.startswith(decimal)  # the comma twice: see the refusals
]


@pytest.mark.parametrize(("separator", "decimal"), FORMATS)
@pytest.mark.parametrize(
    "header",
    [
        (),
        ("Workshop, room 2", "48000"),
        ("# 2.83 V at 1 m", "* 2026-11-25 12:30:05", "", "Freq;SPL;Phase"),
        ("2.83 V",),
    ],
)
@pytest.mark.parametrize("trailing", [False, True])
def test_every_row_format_is_read_to_the_written_digit(separator, decimal, header, trailing):
    level, phase = piston_box(FREQUENCY, 30)
    columns = (FREQUENCY, level, phase)
    style = Style(separator, decimal, header=header, trailing=separator.rstrip(" ") or " " if trailing else "")
    table = read_table(as_text(columns, style), "a.txt")
    np.testing.assert_array_equal(table.values, np.round(np.stack(columns, axis=1), 3))
    assert table.lines[0] == len(header) + 1
    assert table.row_format.decimal == {".": "point", ",": "comma"}[decimal]


numbers = st.integers(-(10**7), 10**7)


@given(
    st.lists(st.tuples(numbers, numbers, numbers), min_size=3, max_size=20),
    st.sampled_from(["\t", ";", ",", " ", "\t\t "]),
    st.sampled_from([".", ","]),
    st.integers(1, 4),
    st.booleans(),
    st.integers(2, 3),
)
def test_round_trip_over_row_formats(rows, separator, decimal, places, last_line_end, count):
    if separator == decimal:
        decimal = "."
    text = as_text(
        [np.array([row[at] / 10**places for row in rows]) for at in range(count)],
        Style(separator, decimal, places=places, last_line_end=last_line_end),
    )
    force = {"separator": "blank"} if separator == "\t\t " else {}
    table = read_table(text, "a.txt", **force)
    # Decimal places written exactly: the nearest double to the written decimal is the quotient of two integers.
    np.testing.assert_array_equal(table.values, np.array(rows)[:, :count] / 10**places)


def test_an_independent_reader_agrees(tmp_path):
    pandas = pytest.importorskip("pandas")
    level, phase = piston_box(FREQUENCY, 60)
    path = tmp_path / "a.txt"
    path.write_text(as_text((FREQUENCY, level, phase), Style(";", ",", places=6)))
    other = pandas.read_csv(path, sep=";", decimal=",", header=None, float_precision="round_trip")
    np.testing.assert_array_equal(read_table(path.read_text(), "a.txt").values, other.to_numpy())


def test_exponents_signs_and_bare_points():
    table = read_table(rows_of("2.0E+01 -3. +1e-2", "25 .5 -1.5e1"), "a.txt")
    np.testing.assert_array_equal(table.values, [[20, -3, 0.01], [25, 0.5, -15]])


def test_the_decimal_mark_is_decided_by_the_whole_file():
    table = read_table(rows_of("20\t85", "25\t86", "31,5\t86,5"), "a.txt")
    np.testing.assert_array_equal(table.values, [[20, 85], [25, 86], [31.5, 86.5]])


def test_a_point_anywhere_settles_what_commas_mean():
    table = read_table(rows_of("20,85", "25,86", "31.5,86.5"), "a.txt")
    np.testing.assert_array_equal(table.values, [[20, 85], [25, 86], [31.5, 86.5]])


def test_two_columns_of_whole_numbers_have_one_reading():
    np.testing.assert_array_equal(read_table(rows_of("20,85", "25,86"), "a.txt").values, [[20, 85], [25, 86]])


@pytest.mark.parametrize(
    ("lines", "both"),
    [
        (("1000,5,80,2", "2000,5,81,4"), ["4 columns (1000 | 5 | 80 | 2)", "2 columns (1000,5 | 80,2)"]),
        (("1000, 85,2", "2000, 86,4"), ["3 columns (1000 | 85 | 2)", "2 columns (1000 | 85,2)"]),
        (("1000,85,-20", "2000,86,-30"), ["3 columns (1000 | 85 | -20)", "2 columns (1000,85 | -20)"]),
    ],
)
def test_commas_of_two_readings_are_refused_with_both(lines, both):
    with pytest.raises(InputError) as refused:
        read_table(rows_of(*lines), "a.txt")
    message = str(refused.value)
    assert all(reading in message for reading in both)
    assert "`decimal`" in message
    assert "line 1" in message
    columns = len(lines[0].split(","))
    assert read_table(rows_of(*lines), "a.txt", decimal="point").values.shape == (2, columns)


def test_a_header_of_as_many_names_settles_the_commas():
    table = read_table(rows_of("Frequency,SPL,Phase,Noise", "1000,5,80,2", "2000,5,81,4"), "a.txt")
    assert table.values.shape == (2, 4)
    with pytest.raises(InputError, match="4 columns"):
        read_table(rows_of("Frequency,SPL", "1000,5,80,2", "2000,5,81,4"), "a.txt")


def test_a_sign_after_every_comma_leaves_one_reading():
    table = read_table(rows_of("20,-3,-90", "25,-2,-80"), "a.txt")
    np.testing.assert_array_equal(table.values, [[20, -3, -90], [25, -2, -80]])


def test_decimal_commas_between_commas_are_refused():
    with pytest.raises(NoTableError, match="commas are the only separator"):
        read_table(rows_of("1000,5,80,2", "2000,5,81,4"), "a.txt", decimal="comma")


def test_forced_separator():
    text = rows_of("20\t\t85", "25\t\t86")
    np.testing.assert_array_equal(read_table(text, "a.txt", separator="blank").values, [[20, 85], [25, 86]])
    assert read_table(text, "a.txt").missing == {(0, 1): "", (1, 1): ""}


@pytest.mark.parametrize("mark", ["#", "*", ";", "%", "//", '"', "'", "  #"])
def test_comment_lines_are_ignored_and_counted(mark):
    table = read_table(rows_of(f"{mark} 1 2", "20\t85", f"{mark} new range", "25\t86", f"{mark} 3 4"), "a.txt")
    np.testing.assert_array_equal(table.values, [[20, 85], [25, 86]])
    np.testing.assert_array_equal(table.lines, [2, 4])
    assert any("comment lines between the numbers, ignored: 1" in note for note in table.notes)


def test_a_footer_is_reported_with_its_first_line():
    table = read_table(rows_of("20\t85", "25\t86", "", "end of measurement", "checked"), "a.txt")
    assert table.values.shape == (2, 2)
    assert "lines after the numbers, ignored: 2, the first is 'end of measurement'" in table.notes


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (("20 85", "overload", "25 86"), r"line 2: 'overload' is not a row of numbers"),
        (("20 85", "25 8x", "31 86", "40 err", "50 87"), r"line 2: '25 8x' .*1 more such lines"),
        (("20 85 1", "25 86", "31 87 1"), r"line 2: '25 86' has 2 columns, but most rows have 3"),
        (("48000 2", "20 85 1", "25 86 1"), r"line 1: '48000 2' has 2 columns"),
        (("2o 85.3", "25 86.1", "31 87.2"), r"line 1: '2o 85.3' looks like a damaged row"),
        (("25 86.1", "31 87.2", "40 8x.3"), r"line 3: '40 8x.3' looks like a damaged row"),
        (("25 86.1", "31 87.2", "40"), r"line 3: '40' looks like a damaged row"),
        (("25\t86,1", "31\t87.2", "40\t88,3"), r"line 2: .*mixes decimal commas and decimal points"),
        (("25;1.086,1", "31;1.087,2"), "no row of at least two numbers"),
        (("1\N{NO-BREAK SPACE}000 86.1", "1\N{NO-BREAK SPACE}250 87.2"), "no row of at least two numbers"),
        (("1_000 86", "1_250 87"), "no row of at least two numbers"),
        (("20.5,", "25.5,"), "line 1: '20.5,' has only one column"),
        (("900\t85.3", "1,000\t85.1"), r"line 2: '1,000\\t85.1' looks like a damaged row"),
        (("900\t85,3", "1.000\t85,1"), r"line 2: '1.000\\t85,1' looks like a damaged row"),
        (("20 85 ok", "25 86 ok"), "line 1: '20 85 ok' has text besides numbers"),
        (("85.1", "86.2"), "no row of at least two numbers"),
        (("",), "no row of at least two numbers"),
        (("Frequency;Level",), "no row of at least two numbers"),
        (('"20";"85.3"', '"25";"86.1"'), "quotation marks"),
    ],
)
def test_what_is_not_a_table_is_refused_with_the_line(lines, message):
    with pytest.raises(InputError, match=message) as refused:
        read_table(rows_of(*lines), "a.txt")
    (problem,) = refused.value.problems
    assert problem.where == "a.txt"
    assert problem.fix


def test_lines_ignored_by_options():
    lines = ("48000 2", "20 85 1", "25 86 1", "2 rows")
    table = read_table(rows_of(*lines), "a.txt", skip_lines=1, skip_last_lines=1)
    np.testing.assert_array_equal(table.lines, [2, 3])
    assert "lines ignored by the options: first 1, last 1" in table.notes
    with pytest.raises(NoTableError):
        read_table(rows_of(*lines), "a.txt", skip_lines=9, skip_last_lines=9)


def test_missing_cells_at_either_end_are_rows_still():
    table = read_table(rows_of("20;;", ";85;3", "31;87;3", "40;;"), "a.txt")
    assert table.missing == {(0, 1): "", (0, 2): "", (1, 0): "", (3, 1): "", (3, 2): ""}
    assert read_table(rows_of("20;85;", "25;86;", "31;87;3"), "a.txt").missing == {(0, 2): "", (1, 2): ""}


def test_missing_cells_are_named():
    table = read_table(rows_of("20;85;", "25;NaN;3", "31;;4", "40;-inf;5", "50;1e999;6"), "a.txt")
    assert table.missing == {(0, 2): "", (1, 1): "NaN", (2, 1): "", (3, 1): "-inf", (4, 1): "1e999"}
    np.testing.assert_array_equal(np.isnan(table.values).sum(axis=0), [0, 4, 1])


@pytest.mark.parametrize("trailing", ["", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_file_cut_anywhere_gives_whole_rows_or_a_refusal(end, trailing):
    frequency = np.geomspace(20, 20000, 12)
    columns = (frequency, *piston_box(frequency, 40))
    text = as_text(columns, Style("\t", ".", header=("# Freq\tSPL\tPhase",), trailing=trailing))
    whole = read_table(text, "a.txt").values
    raw, refused, shorter = text.replace("\n", end), 0, 0
    for length in range(len(raw)):
        cut = raw[:length].replace("\r\n", "\n").replace("\r", "\n")
        try:
            values = read_table(cut, "a.txt").values
        except InputError:
            refused += 1
            continue
        if len(values) > 2:  # below three rows there is nothing to compare the last one with
            np.testing.assert_array_equal(values, whole[: len(values)])
            shorter += 1
    assert refused > shorter > 10


def test_a_cut_that_is_not_certain_is_reported():
    table = read_table("20 85.25\n25 86.5\n31.5 87.125\n40 8", "a.txt")
    assert any("it is not known whether" in note for note in table.notes)
    assert not any("it is not known whether" in note for note in read_table("20 85.25\n25 86.5\n40 8\n", "a.txt").notes)


@given(st.text(alphabet="0123456789.,;\t \n#abn-+e", max_size=120))
def test_any_text_gives_a_table_or_a_refusal(text):
    try:
        table = read_table(text, "a.txt")
    except InputError as refused:
        assert len(refused.problems) == 1
        return
    assert table.values.ndim == 2
    assert table.values.shape[1] > 1
    assert set(zip(*np.nonzero(np.isnan(table.values)), strict=True)) == set(table.missing)


@pytest.mark.parametrize("mark", ['"', "'"])
@pytest.mark.parametrize("row", [0, 1, 3])
def test_a_quotation_mark_hides_no_row(mark, row):
    lines = ["20 80", "25 81", "31.5 82", "40 83"]
    lines[row] = mark + lines[row]
    with pytest.raises(InputError, match=f"line {row + 1}: .*(damaged row|not a row)"):
        read_table("\n".join([*lines, ""]), "a.txt")
    comment = read_table("\n".join([mark + "measured at 20 degrees" + mark, "20 80", "25 81", ""]), "a.txt")
    assert comment.values.shape == (2, 2)
