"""SVG and JSON inside a page: no script, no other file, no end of the element."""

import json

import pytest

from anechain.report.safe_markup import json_markup, svg_markup

CURVE = (
    '<svg xmlns="http://www.w3.org/2000/svg"><defs><clipPath id="part1"><path d="M0 0h9v9z"/></clipPath></defs>'
    '<g clip-path="url(#part1)"><path d="M0 0L9 9"/></g></svg>'
)


@pytest.mark.parametrize(
    "svg",
    [
        '<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg" onload="1"/>',
        '<svg xmlns="http://www.w3.org/2000/svg"><a href="https://example.org/"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><image href="data:image/png;base64,"/></svg>',
        '<svg xmlns="http://www.w3.org/2000/svg"><style>a{}</style></svg>',
        "<svg",
    ],
)
def test_an_svg_with_more_than_shapes_and_text_is_refused(svg):
    with pytest.raises(ValueError, match="comparison: its SVG"):
        svg_markup("comparison", svg, "p1-")


def test_a_receipt_and_a_comment_in_an_svg_are_removed():
    end = CURVE.index(">") + 1
    marked = f'<?xml version="1.0"?>{CURVE[:end]}<metadata id="receipt">{{"a": 1}}</metadata><!-- b -->{CURVE[end:]}'
    assert svg_markup("curve", marked, "p1-") == svg_markup("curve", CURVE, "p1-")


def test_identifiers_have_the_prefix_and_screen_readers_skip_the_svg():
    markup = svg_markup("curve", CURVE, "p7-")
    assert markup.startswith('<svg aria-hidden="true"')
    assert 'id="p7-1"' in markup and "url(#p7-1)" in markup and "part1" not in markup


def test_json_cannot_end_its_script_element():
    text = '</script><!-- \u2028 \u2029 & "'
    markup = json_markup({"title": text})
    assert not {"<", "\u2028", "\u2029"} & set(markup)
    assert json.loads(markup) == {"title": text}
