"""The JavaScript of interactive figures, kept between runs: the renderer needs seconds to put it together."""

from __future__ import annotations

import hashlib
import os
import tempfile
from functools import cache
from importlib.metadata import version
from pathlib import Path

from anechain.figures.render import VEGA_LITE

__all__ = ["interactive_script"]

SNIPPET = "window.vegaEmbed = vegaEmbed;"


@cache
def interactive_script() -> str:
    """Return the JavaScript that draws specifications on a page without network: Vega, Vega-Lite and vega-embed.

    A copy is kept in the user's cache folder, under the version of the renderer. A damaged copy is replaced, and where
    the folder cannot be written nothing is kept.
    """
    copy = _cache_file()
    if (script := _read(copy)) is not None:
        return script
    import vl_convert

    script = str(vl_convert.javascript_bundle(SNIPPET, vl_version=VEGA_LITE))
    _write(copy, script)
    return script


def _cache_file() -> Path:
    from platformdirs import user_cache_path

    return user_cache_path("anechain") / f"vega-embed-{version('vl-convert-python')}-{VEGA_LITE}.js"


def _digest(script: bytes) -> bytes:
    return hashlib.sha256(script).hexdigest().encode()


def _read(path: Path) -> str | None:
    """Return the kept script, or None where there is none or it does not match the digest in its first line."""
    try:
        digest, _, script = path.read_bytes().partition(b"\n")
    except OSError:
        return None
    return script.decode() if digest == _digest(script) else None


def _write(path: Path, script: str) -> None:
    data = script.encode()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # Two runs can write at the same time: each replaces the file as a whole.
        handle, name = tempfile.mkstemp(dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(_digest(data) + b"\n" + data)
        Path(name).replace(path)
    except OSError:
        return
