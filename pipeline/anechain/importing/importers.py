"""Find and load the installed importers and the private ones of a campaign.

An importer that cannot be used is reported with the reason, and does not keep the others from working.
"""

from __future__ import annotations

import hashlib
import importlib.util
import sys
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import ModuleType

import pluggy

from anechain.importing.hooks import INTERFACE, LOAD_TIMEOUT, Description, ImporterHooks, Options
from anechain.importing.time_limits import TooSlowError, call_within, known_as_slow, mark_as_slow
from anechain.methods import versions

__all__ = [
    "ENTRY_POINT_GROUP",
    "BrokenImporter",
    "Importer",
    "call_hook",
    "error_text",
    "find_importers",
    "load_file",
    "load_plugin",
]

ENTRY_POINT_GROUP = "anechain.importers"
"""Entry-point group of the importers."""
_HOOKS = ("anechain_describe", "anechain_identify", "anechain_read")
_MAX_ERROR_LENGTH = 300


@dataclass(frozen=True)
class Importer:
    """An importer that can be used.

    Attributes
    ----------
    name : str
        Name of its entry point, or of its file.
    origin : str
        The distribution and version it comes from, or its file.
    description : Description
        Its own description.
    hooks : pluggy.PluginManager
        A manager that holds this plugin alone, so that a result always comes from this importer.
    code : str
        SHA-256 of its source files, so that a changed importer is noticed though its version is the same.
    """

    name: str
    origin: str
    description: Description
    hooks: pluggy.PluginManager
    code: str = ""


@dataclass(frozen=True)
class BrokenImporter:
    """An importer that is installed but cannot be used.

    Attributes
    ----------
    name, origin : str
        As for :class:`Importer`.
    reason : str
        Why it cannot be used.
    traceback : str
        Where its code raised an exception, for its author; empty if it did not.
    """

    name: str
    origin: str
    reason: str
    traceback: str = field(default="", compare=False)


def error_text(error: BaseException) -> str:
    """Return the type and the message of an exception in one line of limited length."""
    message = " ".join(str(error).split())
    if len(message) > _MAX_ERROR_LENGTH:
        message = f"{message[: _MAX_ERROR_LENGTH - 3]}..."
    return f"{type(error).__name__}: {message}" if message else type(error).__name__


def call_hook(hook: pluggy.HookCaller, **arguments: object) -> object:
    """Call a hook of the single plugin in a manager; return None if the plugin returns None."""
    # pluggy leaves None out of its list of results.
    results = hook(**arguments)
    return results[0] if results else None


def load_plugin(name: str, origin: str, plugin: object) -> Importer | BrokenImporter:
    """Register a plugin that has all hooks and describes itself.

    Parameters
    ----------
    name, origin : str
        As for :class:`Importer`.
    plugin : module or object
        Holds the three hooks.
    """
    manager = pluggy.PluginManager("anechain")
    manager.add_hookspecs(ImporterHooks)
    try:
        manager.register(plugin, name)
        manager.check_pending()
    except Exception as error:
        return BrokenImporter(name, origin, error_text(error))
    missing = [hook for hook in _HOOKS if not getattr(manager.hook, hook).get_hookimpls()]
    if missing:
        return BrokenImporter(name, origin, f"it does not implement {', '.join(missing)}")
    try:
        description = call_within(LOAD_TIMEOUT, lambda: call_hook(manager.hook.anechain_describe))
    except TooSlowError:
        return BrokenImporter(name, origin, mark_as_slow(name, origin, "anechain_describe", LOAD_TIMEOUT))
    except (Exception, SystemExit) as error:
        reason = f"anechain_describe failed: {error_text(error)}"
        return BrokenImporter(name, origin, reason, traceback.format_exc())
    if not isinstance(description, Description):
        return BrokenImporter(
            name, origin, f"anechain_describe returned {type(description).__name__}, not a Description"
        )
    if description.interface != INTERFACE:
        reason = (
            f"it is written for version {description.interface} of the interface of importers, and this software has "
            f"version {INTERFACE}; install versions of both that fit"
        )
        return BrokenImporter(name, origin, reason)
    if not (isinstance(description.options, type) and issubclass(description.options, Options)):
        return BrokenImporter(name, origin, f"its options are {description.options!r}, not a subclass of Options")
    try:
        versions(description.methods)
    except (KeyError, TypeError) as error:
        return BrokenImporter(name, origin, f"its methods are not all registered: {error_text(error)}")
    return Importer(name, origin, description, manager, _code_digest(plugin))


def _code_digest(plugin: object) -> str:
    """Return the SHA-256 of the source files of a plugin: its module, or all modules of its package."""
    module = plugin if isinstance(plugin, ModuleType) else sys.modules[type(plugin).__module__]
    package = sys.modules.get(module.__name__.partition(".")[0], module)
    digest = hashlib.sha256()
    for folder in sorted(getattr(package, "__path__", ())):
        for path in sorted(Path(folder).rglob("*.py")):
            digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    if not hasattr(package, "__path__") and (source := getattr(package, "__file__", None)):
        digest.update(Path(source).read_bytes())
    return digest.hexdigest()


def load_file(path: Path) -> ModuleType:
    """Run a Python file as a module, without writing a compiled copy.

    Raises
    ------
    ImportError
        If the file is not a Python file.
    BaseException
        Whatever the file raises.
    """
    name = f"anechain_private_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError("not a Python file")
    # Dataclasses and option models look up their own module by name to resolve their annotations.
    module = sys.modules[name] = importlib.util.module_from_spec(spec)
    # No compiled copy next to the campaign: folders of raw data are left unchanged.
    before, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    finally:
        sys.dont_write_bytecode = before
    return module


def _import_plugin(name: str, origin: str, load: Callable[[], object]) -> Importer | BrokenImporter:
    if (reason := known_as_slow(name, origin)) is not None:
        return BrokenImporter(name, origin, reason)
    try:
        plugin = call_within(LOAD_TIMEOUT, load)
    except TooSlowError:
        return BrokenImporter(name, origin, mark_as_slow(name, origin, "its import", LOAD_TIMEOUT))
    except (Exception, SystemExit) as error:
        return BrokenImporter(name, origin, error_text(error), traceback.format_exc())
    return load_plugin(name, origin, plugin)


def find_importers(private: Sequence[Path] = ()) -> tuple[dict[str, Importer], list[BrokenImporter]]:
    """Load all installed importers, and private ones.

    Parameters
    ----------
    private : sequence of Path
        Python files of private importers. Their code is run: pass only files that the user has consented to.

    Returns
    -------
    usable : dict of str to Importer
        Importers that can be used, by name, sorted.
    broken : list of Broken
        Importers that cannot be used. If several plugins have one name, none of them is used.
    """
    from importlib.metadata import entry_points

    loaded = [
        _import_plugin(entry.name, f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value, entry.load)
        for entry in sorted(entry_points(group=ENTRY_POINT_GROUP), key=lambda entry: (entry.name, entry.value))
    ]
    loaded += [_import_plugin(path.stem, path.name, partial(load_file, path)) for path in private]
    names = [importer.name for importer in loaded]
    duplicates = sorted({name for name in names if names.count(name) > 1})
    broken = [
        importer for importer in loaded if isinstance(importer, BrokenImporter) and importer.name not in duplicates
    ]
    for name in duplicates:
        origins = ", ".join(importer.origin for importer in loaded if importer.name == name)
        broken.append(BrokenImporter(name, origins, "several plugins have this name; none of them is used"))
    usable = {
        importer.name: importer
        for importer in loaded
        if isinstance(importer, Importer) and importer.name not in duplicates
    }
    return usable, broken
