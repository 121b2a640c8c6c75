"""The figures that the results of a device allow, in the order in which they are shown."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from anechain.data.store import read_dataset
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.registry.figures import FIGURES, FigureKind

__all__ = ["USES", "device_figures", "read_outputs"]

USES = tuple(sorted({id_ for kind in FIGURES.values() for id_ in kind.methods}))
"""Methods that figures use themselves, besides those of the files that they show."""


def read_outputs(paths: Mapping[str, Path]) -> dict[str, Any]:
    """Read the datasets and JSON documents among the outputs of a device, by file name."""
    data: dict[str, Any] = {}
    for name, path in paths.items():
        if path.suffix == ".nc":
            data[name] = read_dataset(path)
        elif path.suffix == ".json":
            data[name] = json.loads(path.read_bytes())
    return data


def device_figures(data: Data, wanted: Sequence[str] | None = None) -> Iterator[DeviceFigure]:
    """Yield the figures that the outputs of a device allow, in the order in which they are shown.

    Parameters
    ----------
    data : mapping
        As :func:`read_outputs` returns it.
    wanted : sequence of str, optional
        Kinds that are drawn, see :data:`anechain.registry.figures.FIGURES`; all by default.
    """
    for kind in FIGURES.values():
        if (wanted is None or kind.name in wanted) and data.keys() >= set(kind.needs):
            yield from (replace(figure, methods=kind.methods) for figure in _figures(kind, data))


def _figures(kind: FigureKind, data: Data) -> Iterator[DeviceFigure]:
    module, _, function = kind.function.partition(":")
    figures: Iterator[DeviceFigure] = getattr(importlib.import_module(f"anechain.figures.{module}"), function)(data)
    return figures
