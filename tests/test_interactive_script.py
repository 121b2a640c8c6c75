"""The script of interactive figures is kept between runs, and a damaged copy is never used."""

import pytest

from anechain.figures import interactive_script as module


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """The file of the kept copy, in a folder of the test; the renderer is counted."""
    monkeypatch.setattr(module, "_cache_file", lambda: tmp_path / "cache" / "script.js")
    return tmp_path / "cache" / "script.js"


@pytest.fixture
def bundled(monkeypatch):
    import vl_convert

    calls = []

    def bundle(snippet, vl_version):
        calls.append(vl_version)
        return "window.vegaEmbed = \N{GREEK SMALL LETTER ALPHA};\nnext\n"

    monkeypatch.setattr(vl_convert, "javascript_bundle", bundle)
    return calls


def script():
    return module.interactive_script.__wrapped__()


def test_the_second_run_reads_the_copy(kept, bundled):
    assert script() == script() == "window.vegaEmbed = \N{GREEK SMALL LETTER ALPHA};\nnext\n"
    assert bundled == [module.VEGA_LITE]


@pytest.mark.parametrize(
    "damage", [lambda data: data[:-1], lambda data: data + b" ", lambda data: b"", lambda _: b"\n"]
)
def test_a_damaged_copy_is_replaced(kept, bundled, damage):
    whole = script()
    good = kept.read_bytes()
    kept.write_bytes(damage(good))
    assert script() == whole and len(bundled) == 2
    assert kept.read_bytes() == good and list(kept.parent.iterdir()) == [kept]


def test_without_a_folder_to_write_the_script_is_made_each_time(kept, bundled):
    kept.parent.write_text("a file where the folder would be")
    assert script() == script() and len(bundled) == 2


def test_the_copy_is_of_this_renderer():
    from importlib.metadata import version

    assert version("vl-convert-python") in module._cache_file().name and module.VEGA_LITE in module._cache_file().name
