"""Write the files of a figure: its chart specification and the requested formats, each with its receipt."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from anechain.data.store import is_current, write_artefact
from anechain.receipts.canonical_json import canonical_json

__all__ = ["figure_paths", "update_figure", "write_figure"]


def figure_paths(results: Path, name: str, formats: Sequence[str]) -> dict[str, Path]:
    """Return the files of a figure by format; the chart specification is always among them."""
    return {ending: results / "figures" / f"{name}.{ending}" for ending in ("vl.json", *formats)}


def update_figure(paths: Mapping[str, Path], receipt: Mapping[str, Any], make: Callable[[], dict[str, Any]]) -> bool:
    """Draw a figure unless its files are up to date; return whether it was drawn."""
    if all(is_current(path, receipt["stamp"]) for path in paths.values()):
        return False
    from altair.utils.schemapi import debug_mode

    # Without the validation of each part of a chart, which takes a fifth of the time: the tests validate all figures.
    with debug_mode(False):
        specification = make()
    write_figure(paths, specification, receipt)
    return True


def write_figure(paths: Mapping[str, Path], specification: dict[str, Any], receipt: Mapping[str, Any]) -> None:
    """Render a figure and write each format with its receipt."""
    from anechain.figures.render import render

    # Rendered from the written bytes, so that the specification alone reproduces the pictures.
    canonical = canonical_json(specification)
    rendered = {
        "vl.json": canonical,
        **render(json.loads(canonical), [ending for ending in paths if ending != "vl.json"]),
    }
    for ending, path in paths.items():
        write_artefact(path, rendered[ending], receipt)
