import codecs

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.errors import InputError
from anechain.importing.text_decoding import decode

TEXT = "Höhe 1 m, ±10°\n20\t85,3\n25\t86,1\n"


@pytest.mark.parametrize(
    ("codec", "mark", "named"),
    [
        ("utf-8", b"", "utf-8"),
        ("utf-8", codecs.BOM_UTF8, "utf-8"),
        ("utf-16-le", codecs.BOM_UTF16_LE, "utf-16-le"),
        ("utf-16-be", codecs.BOM_UTF16_BE, "utf-16-be"),
        ("utf-16-le", b"", "utf-16-le"),
        ("utf-16-be", b"", "utf-16-be"),
        ("latin-1", b"", "latin-1"),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_encoding_and_line_end_gives_the_same_text(codec, mark, named, end):
    decoded = decode(mark + TEXT.replace("\n", end).encode(codec), "a.txt")
    assert decoded.text == TEXT
    assert decoded.encoding == named
    assert bool(decoded.notes) == (named == "latin-1")


@pytest.mark.parametrize(("forced", "codec"), [("utf-8", "utf-8"), ("utf-16", "utf-16"), ("latin-1", "latin-1")])
def test_forced_encoding(forced, codec):
    assert decode(TEXT.encode(codec), "a.txt", forced).text == TEXT


def test_forced_encoding_that_does_not_fit_is_refused():
    with pytest.raises(InputError, match=r"a\.txt: byte 2 is not UTF-8"):
        decode(TEXT.encode("latin-1"), "a.txt", "utf-8")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"20\t85\n\0\0\0\x7fELF", r"line 2 holds the control character 0x00"),
        (b"\x89PNG\x01\x02", r"control character 0x01"),
        (codecs.BOM_UTF32_LE + "20 85".encode("utf-32-le"), "control character 0x00"),
        (codecs.BOM_UTF16_LE + "20 85".encode("utf-16-le")[:-1], "not UTF-16-LE"),
        (codecs.BOM_UTF8 + b"20 \xff85", "byte 7 is not UTF-8"),
    ],
)
def test_binary_junk_is_refused(data, message):
    with pytest.raises(InputError, match=message):
        decode(data, "a.txt")


def test_a_typographic_minus_is_repaired_and_reported():
    decoded = decode("20\t\N{MINUS SIGN}3.5\n".encode(), "a.txt")
    assert decoded.text == "20\t-3.5\n"
    assert "minus" in decoded.notes[0]


def test_an_end_of_file_character_is_removed_and_reported():
    decoded = decode(b"20 85\n\x1a", "a.txt")
    assert decoded.text == "20 85\n"
    assert "end-of-file" in decoded.notes[0]


@given(st.binary(max_size=200), st.sampled_from(["auto", "utf-8", "utf-16", "latin-1"]))
def test_any_bytes_give_text_or_a_refusal(data, encoding):
    try:
        text = decode(data, "a.txt", encoding).text
    except InputError:
        return
    assert "\r" not in text
    assert "\0" not in text


@pytest.mark.parametrize("codec", ["utf-8", "utf-16-le", "utf-16-be"])
def test_a_repeated_byte_order_mark_is_removed_and_reported(codec):
    text = "\ufeff\ufeff20 80\n25 81\n"
    decoded = decode(text.encode(codec), "a.txt")
    assert decoded.text == "20 80\n25 81\n"
    assert decoded.notes == ("repeated byte-order mark removed",)


@pytest.mark.parametrize("separator", ["\x85", "\u2028", "\u2029"])
def test_separators_of_lines_are_line_ends(separator):
    decoded = decode(f"20 80{separator}25 81\n".encode(), "a.txt")
    assert decoded.text == "20 80\n25 81\n"
    assert "read as line ends: 1" in decoded.notes[0]
