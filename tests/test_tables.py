"""Tables as CSV, read back with Python's own reader (RFC 4180)."""

import csv
import io
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.data.tables import csv_bytes, csv_of_rows, text_cell


def read(data):
    return list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))


def test_a_table_to_the_byte():
    columns = {
        "frequency_Hz": np.array([20.0, 1234.56789, 20_000.0]),
        "on_axis_dB": np.array([84.00004, np.nan, -0.00001]),
        "index_dB": np.array([-3.0, 0.12345, 10.0]),
    }
    assert csv_bytes(columns) == (
        b"frequency_Hz,on_axis_dB,index_dB\n20,84.0000,-3.0000\n1234.568,,0.1235\n20000,0.0000,10.0000\n"
    )
    assert csv_bytes(columns, decimals=1).splitlines()[1] == b"20,84.0,-3.0"


def test_titles_that_need_quotes():
    assert read(csv_bytes({"f": np.array([1.0]), 'level, "spl" in dB re 20 µPa': np.array([2.0])}))[0] == [
        "f",
        'level, "spl" in dB re 20 µPa',
    ]


def test_no_rows_and_a_column_alone():
    assert csv_bytes({"f": np.array([]), "level": np.array([])}) == b"f,level\n"
    assert csv_bytes({"f": np.array([31.5])}) == b"f\n31.5\n"


def test_comments_stand_above_the_titles_and_make_no_columns():
    columns = {"f": np.array([31.5])}
    assert csv_bytes(columns, comments=["in dB", "more"]) == b"# in dB\n# more\nf\n31.5\n"
    for comment in ("a, b", "a; b", "a\nb"):
        with pytest.raises(ValueError, match="one line"):
            csv_bytes(columns, comments=[comment])


# What spreadsheets run (common practice, no source); the first is harmless.
@pytest.mark.parametrize(
    "text",
    [
        '=HYPERLINK("https://example.org";"Rowan")',
        *("+1+1", "-2+3", "@SUM(A1)", " =1+1", "\t=1+1", "\r\n=1+1", "\N{FULLWIDTH EQUALS SIGN}1+1"),
    ],
)
def test_a_text_is_never_a_formula(text):
    ((cell,),) = read(text_cell(text).encode())
    assert cell.startswith("'") and cell.endswith(text.strip())


def test_a_number_stays_a_number_and_a_text_of_digits_is_a_text():
    data = csv_of_rows(["a", "b", "c", "d", "e"], [[-3.25, -7, None, "-3.25", "\N{MINUS SIGN}3 dB, on axis"]], 6)
    assert data.decode() == 'a,b,c,d,e\n-3.25,-7,,\'-3.25,"\N{MINUS SIGN}3 dB, on axis"\n'


def test_a_text_with_a_number_sign_is_no_comment():
    import pandas

    data = csv_of_rows(["a", "b"], [["#1", "Rowan #2"], ["x\n# y", "z"]], 6)
    frame = pandas.read_csv(io.BytesIO(data), comment="#")
    assert frame.values.tolist() == [["#1", "Rowan #2"], ["x # y", "z"]]
    assert not any(line.startswith(b"#") for line in data.splitlines())


@given(st.lists(st.tuples(st.text(max_size=8), st.text(max_size=8)), max_size=5))
def test_texts_come_back_on_a_line_each(rows):
    data = csv_of_rows(["a", "b"], rows, 6)
    assert data.count(b"\n") == len(rows) + 1
    back = read(data)[1:]
    for given_row, row in zip(rows, back, strict=True):
        for text, cell in zip(given_row, row, strict=True):
            kept = re.sub("[\x00-\x1f\x7f\x85\u2028\u2029]+", " ", text)
            assert cell in (kept, f"'{kept}")


def test_columns_of_different_lengths_are_refused():
    with pytest.raises(ValueError, match="shorter"):
        csv_bytes({"f": np.array([1.0, 2.0]), "level": np.array([1.0])})


cells = st.floats(-400, 400) | st.just(float("nan"))


@given(st.lists(st.tuples(st.floats(1, 1e5), cells, cells), max_size=20), st.integers(0, 6))
def test_values_come_back_within_half_the_last_digit(rows, decimals):
    array = np.array(rows, dtype=float).reshape(-1, 3)
    data = csv_bytes({"f": array[:, 0], "a": array[:, 1], "b": array[:, 2]}, decimals)
    header, *written = read(data)
    assert header == ["f", "a", "b"] and len(written) == len(rows)
    back = np.array([[float(cell or "nan") for cell in row] for row in written]).reshape(-1, 3)
    np.testing.assert_allclose(back[:, 0], array[:, 0], rtol=5.1e-7)
    np.testing.assert_allclose(back[:, 1:], array[:, 1:], rtol=0, atol=0.5000001 * 10.0**-decimals)
    assert not any(cell.startswith("-") and float(cell) == 0 for row in written for cell in row)
    assert b"\r" not in data and data.endswith(b"\n")
