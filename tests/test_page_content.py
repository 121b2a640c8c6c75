"""Links of the page: files and web pages only."""

import pytest

from anechain.report.page_content import Link


@pytest.mark.parametrize("href", ["javascript:alert(1)", " JavaScript:alert(1)", "data:text/html,x", "file:///etc"])
def test_a_link_leads_to_a_file_or_a_web_page(href):
    with pytest.raises(ValueError, match="a link must lead to"):
        Link("click", href)
    assert Link("a", "../figures/a:b.svg").href
    assert Link("a", "https://example.org/").href
