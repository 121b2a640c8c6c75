"""Names and texts that act on a terminal, or turn the direction of a line, are shown as escapes."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.errors import InputError
from anechain.printable import printable, visible
from anechain.report.page import _environment

RED, TURNED = "\x1b[31m", "\u202e"


@given(st.text())
def test_nothing_acts_and_plain_text_stays(text):
    """Categories of Unicode: Cc are control characters; the directions are those of UAX 9."""
    shown = visible(text)
    assert not [c for c in shown if unicodedata.category(c) == "Cc" and c not in "\n\t"]
    assert not set(shown) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")
    if text.isprintable():
        assert shown == text == printable(text)
    assert printable(text).isprintable()


@pytest.mark.parametrize("acting", [RED, TURNED, "\r", "\x07"])
def test_messages_do_not_act(acting):
    message = str(InputError.single(f"raw/{acting}oak.txt", f"holds {acting}", f"no {acting}", f"remove {acting}"))
    assert acting not in message and message.count("\\u00") + message.count("\\u20") + message.count("\\r") >= 4


def test_the_page_does_not_act():
    page = _environment().from_string("<p>{{ text }}</p>{{ markup }}")
    from markupsafe import Markup

    assert page.render(text=f"a{TURNED}b{RED}\nc", markup=Markup("<b>x</b>")) == (
        "<p>a\\u202eb\\u001b[31m\nc</p><b>x</b>"
    )
