"""The importer that a class of conformance tests names."""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any

import pytest

from anechain.importing.importers import BrokenImporter, Importer, find_importers, load_plugin

__all__ = ["plugin_address", "resolve_plugin", "usable_importer"]


def resolve_plugin(plugin: Any) -> Importer | BrokenImporter:
    """Load the importer that a class of tests names.

    Parameters
    ----------
    plugin : module, object or str
        See :attr:`anechain.conformance.samples.ConformanceTests.plugin`.
    """
    if not isinstance(plugin, str):
        name = plugin.__name__ if isinstance(plugin, ModuleType) else type(plugin).__name__
        return load_plugin(name.rsplit(".", 1)[-1], name, plugin)
    usable, broken = find_importers()
    if plugin in usable:
        return usable[plugin]
    for importer in broken:
        if importer.name == plugin:
            return importer
    module_name, _, name = plugin.partition(":")
    try:
        module: object = importlib.import_module(module_name)
        return load_plugin(name or module_name, plugin, getattr(module, name) if name else module)
    except (ImportError, AttributeError) as error:
        return BrokenImporter(plugin, plugin, f"neither an installed importer nor a module: {error}")


def plugin_address(plugin: Any) -> tuple[str, str] | None:
    """Return how another process can load a plugin: its name and, for a module, its file.

    None if the plugin is an object that no module holds.
    """
    if isinstance(plugin, str):
        return plugin, ""
    if isinstance(plugin, ModuleType):
        return plugin.__name__, str(plugin.__file__ or "")
    module = type(plugin).__module__
    for name, value in vars(sys.modules.get(module)).items() if module in sys.modules else ():
        if value is plugin:
            return f"{module}:{name}", ""
    return None


def usable_importer(importer: Importer | BrokenImporter) -> Importer:
    """Return the importer; skip the test if it cannot be used (one test fails then, not all of them)."""
    if isinstance(importer, BrokenImporter):
        pytest.skip(f"it cannot be used: {importer.reason}")
    return importer
