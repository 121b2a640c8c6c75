"""Find importer plugins, ask all of them about a file, and let the one that knows it read it.

One plugin that is broken is named, with the reason, and does not keep the others from working.
"""

from __future__ import annotations

import contextvars
import importlib.util
import logging
import queue
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar, get_args

import pluggy
from pydantic import BaseModel, ValidationError

from anechain.campaign.problems import option_problems
from anechain.errors import InputError, Problem
from anechain.importing.hooks import (
    SLOWEST_IDENTIFY,
    SLOWEST_LOAD,
    Description,
    ImporterHooks,
    Options,
    Reading,
    Verdict,
)
from anechain.methods import versions

__all__ = [
    "GROUP",
    "Broken",
    "Importer",
    "adopt",
    "ask",
    "choose",
    "find_importers",
    "load_file",
    "options_in_words",
    "parse_options",
    "read",
    "verdicts",
]

GROUP = "anechain.importers"
_HOOKS = ("anechain_describe", "anechain_identify", "anechain_read")
_T = TypeVar("_T")
_too_slow: dict[tuple[str, str], Broken] = {}
"""Importers that this process has given up, by name and origin: a thread of theirs may still be at work."""
_warned: set[tuple[str, str]] = set()


@dataclass(frozen=True)
class Importer:
    """An importer that loaded.

    Attributes
    ----------
    name : str
        Name of its entry point, or of its file.
    origin : str
        The distribution and version it came with, or its file.
    description : Description
        What it says of itself.
    hooks : pluggy.PluginManager
        A manager that holds this plugin alone, so that an answer is always known to be its own.
    """

    name: str
    origin: str
    description: Description
    hooks: pluggy.PluginManager


@dataclass(frozen=True)
class Broken:
    """An importer that is installed and cannot be used, and why."""

    name: str
    origin: str
    reason: str


def _reason(error: BaseException) -> str:
    said = " ".join(str(error).split())
    said = said if len(said) <= 300 else f"{said[:297]}..."
    return f"{type(error).__name__}: {said}" if said else type(error).__name__


class _TooSlowError(Exception):
    """A plugin did not answer in time."""


def _in_time(seconds: float, call: Callable[[], _T]) -> _T:
    """Answer of a call, or whatever it raises, if that comes within so many seconds.

    The call runs in a daemon thread, which keeps no program from ending. When the time is over it is left behind, not
    stopped: it may go on to use the processor, or hold a lock of a library, for as long as the process lives. A process
    for each question would be sounder, and costs a second of imports each.
    """
    answers: queue.SimpleQueue[tuple[_T | None, BaseException | None]] = queue.SimpleQueue()
    context = contextvars.copy_context()

    def work() -> None:
        try:
            answers.put((context.run(call), None))
        except BaseException as error:
            answers.put((None, error))

    threading.Thread(target=work, daemon=True).start()
    try:
        answer, error = answers.get(timeout=seconds)
    except queue.Empty:
        raise _TooSlowError from None
    if error is not None:
        raise error
    return answer  # type: ignore[return-value]  # without an error there is an answer


def _give_up(name: str, origin: str, what: str, seconds: float) -> Broken:
    reason = f"{what} took longer than {seconds:g} s; it is not asked again"
    return _too_slow.setdefault((name, origin), Broken(name, origin, reason))


def ask(hook: pluggy.HookCaller, **arguments: object) -> object:
    """Answer of the one plugin in a manager; None, which pluggy leaves out, if it gave none."""
    answers = hook(**arguments)
    return answers[0] if answers else None


def adopt(name: str, origin: str, plugin: object) -> Importer | Broken:
    """Take in a plugin, a module or an object, if it has all hooks and describes itself."""
    manager = pluggy.PluginManager("anechain")
    manager.add_hookspecs(ImporterHooks)
    try:
        manager.register(plugin, name)
        manager.check_pending()
    except Exception as error:
        return Broken(name, origin, _reason(error))
    lacking = [hook for hook in _HOOKS if not getattr(manager.hook, hook).get_hookimpls()]
    if lacking:
        return Broken(name, origin, f"it does not implement {', '.join(lacking)}")
    try:
        description = _in_time(SLOWEST_LOAD, lambda: ask(manager.hook.anechain_describe))
    except _TooSlowError:
        return _give_up(name, origin, "anechain_describe", SLOWEST_LOAD)
    except (Exception, SystemExit) as error:
        return Broken(name, origin, f"anechain_describe failed: {_reason(error)}")
    if not isinstance(description, Description):
        return Broken(name, origin, f"anechain_describe gave {type(description).__name__}, not a Description")
    if not (isinstance(description.options, type) and issubclass(description.options, Options)):
        return Broken(name, origin, f"its options are {description.options!r}, not a subclass of Options")
    try:
        versions(description.methods)
    except (KeyError, TypeError) as error:
        return Broken(name, origin, f"its methods are not all registered: {_reason(error)}")
    return Importer(name, origin, description, manager)


def load_file(path: Path) -> ModuleType:
    """Run a Python file as a module; nothing is written beside it."""
    name = f"anechain_private_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError("not a Python file")
    # Dataclasses and option models look their own module up by name when they work out their annotations.
    module = sys.modules[name] = importlib.util.module_from_spec(spec)
    # No compiled copy beside the campaign: raw data folders are left as they are.
    before, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    finally:
        sys.dont_write_bytecode = before
    return module


def _loaded(name: str, origin: str, load: Callable[[], object]) -> Importer | Broken:
    if (name, origin) in _too_slow:
        return _too_slow[name, origin]
    try:
        plugin = _in_time(SLOWEST_LOAD, load)
    except _TooSlowError:
        return _give_up(name, origin, "its import", SLOWEST_LOAD)
    except (Exception, SystemExit) as error:
        return Broken(name, origin, _reason(error))
    return adopt(name, origin, plugin)


def find_importers(private: Sequence[Path] = ()) -> tuple[dict[str, Importer], list[Broken]]:
    """Load all installed importers and the private ones named.

    Parameters
    ----------
    private : sequence of Path
        Python files of private importers. They are run: pass only what the user has consented to.

    Returns
    -------
    dict of str to Importer, list of Broken
        The usable ones by name, sorted, and the others with the reason. Of two with one name neither is used.
    """
    from importlib.metadata import entry_points

    found = [
        _loaded(entry.name, f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value, entry.load)
        for entry in sorted(entry_points(group=GROUP), key=lambda one: (one.name, one.value))
    ]
    found += [_loaded(path.stem, path.name, partial(load_file, path)) for path in private]
    names = [one.name for one in found]
    twice = sorted({name for name in names if names.count(name) > 1})
    broken = [one for one in found if isinstance(one, Broken) and one.name not in twice]
    for name in twice:
        origins = ", ".join(one.origin for one in found if one.name == name)
        broken.append(Broken(name, origins, "the name is taken by several plugins; none of them is used"))
    usable = {one.name: one for one in found if isinstance(one, Importer) and one.name not in twice}
    return usable, broken


def verdicts(path: Path, importers: Mapping[str, Importer]) -> dict[str, Verdict | Broken]:
    """Ask every importer about one file; one that fails, or takes too long, is told apart from one that says no."""
    answers: dict[str, Verdict | Broken] = {}
    for name, importer in importers.items():
        if (name, importer.origin) in _too_slow:
            answers[name] = _too_slow[name, importer.origin]
            continue
        question = partial(ask, importer.hooks.hook.anechain_identify, path=path)
        try:
            answer = _in_time(SLOWEST_IDENTIFY, question)
        except _TooSlowError:
            what = f"anechain_identify of {path.name}"
            answers[name] = _give_up(name, importer.origin, what, SLOWEST_IDENTIFY)
            continue
        except (Exception, SystemExit) as error:
            answers[name] = Broken(name, importer.origin, f"anechain_identify failed: {_reason(error)}")
            continue
        wrong = Broken(name, importer.origin, f"anechain_identify gave {type(answer).__name__}, not a Verdict")
        answers[name] = answer if isinstance(answer, Verdict) else wrong
    return answers


def _spoken(answers: Mapping[str, Verdict | Broken]) -> str:
    lines = []
    for name, answer in answers.items():
        if isinstance(answer, Broken):
            lines.append(f"{name}: failed ({answer.reason})")
        else:
            lines.append(f"{name}: {answer.confidence:.1f} ({answer.reason})")
    return "; ".join(lines) or "no importer is installed"


def choose(paths: Sequence[Path], importers: Mapping[str, Importer], broken: Iterable[Broken], shown: str) -> Importer:
    """Find the one importer that all files of a device belong to.

    Parameters
    ----------
    paths : sequence of Path
        Files that exist and are not empty.
    importers, broken
        What :func:`find_importers` gave.
    shown : str
        The device, for messages.

    Raises
    ------
    InputError
        If a file is known to none, or to several alike, or the files belong to different importers; with every
        importer's verdict on it.
    """
    unusable = "".join(f"; {one.name} cannot be used ({one.reason})" for one in broken)
    problems, winners = [], {}
    for path in paths:
        answers = verdicts(path, importers)
        ranked = sorted(
            ((answer.confidence, name) for name, answer in answers.items() if isinstance(answer, Verdict)), reverse=True
        )
        said = _spoken(answers) + unusable
        if not ranked or ranked[0][0] <= 0:
            problems.append(
                Problem(
                    str(path),
                    f"no importer knows this file: {said}",
                    fix="install an importer for it, or name one with `importer:`",
                )
            )
        elif len(ranked) > 1 and ranked[1][0] == ranked[0][0]:
            problems.append(
                Problem(str(path), f"several importers claim this file alike: {said}", fix="name one with `importer:`")
            )
        else:
            winners[path] = ranked[0][1]
            _warn_of_slow(answers)
    if len(set(winners.values())) > 1:
        examples = {name: path.name for path, name in winners.items()}
        listed = ", ".join(f"{path} to {name}" for name, path in sorted(examples.items()))
        problems.append(
            Problem(
                shown, f"its files belong to different importers: {listed}", "one importer", "name one with `importer:`"
            )
        )
    if problems:
        raise InputError(problems)
    return importers[next(iter(winners.values()))]


def _warn_of_slow(answers: Mapping[str, Verdict | Broken]) -> None:
    """Name, once, an importer that was skipped where the choice went on without it."""
    for name, answer in answers.items():
        if isinstance(answer, Broken) and (name, answer.origin) in _too_slow.keys() - _warned:
            _warned.add((name, answer.origin))
            logging.getLogger(__name__).warning("%s cannot be used: %s (from %s)", name, answer.reason, answer.origin)


def options_in_words(model: type[BaseModel]) -> Iterator[str]:
    """A line for each option: what it is, and its default; under it, indented, a line for each key of its own."""
    for name, field in model.model_fields.items():
        usual = None if field.is_required() else field.get_default(call_default_factory=True)
        default = "required" if field.is_required() else f"default {usual!r}"
        inner = _model_in(field.annotation)
        if inner is not None and not field.is_required():
            default = "by default none" if usual is None else "by default with the defaults of its keys"
        yield f"{name}: {field.description or ''} [{default}]"
        if inner is not None:
            yield from (f"    {line}" for line in options_in_words(inner))


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model of the keys that an option holds, also where the option may be absent."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((one for one in get_args(annotation) if isinstance(one, type) and issubclass(one, BaseModel)), None)


def parse_options(importer: Importer, options: Mapping[str, Any], where: str, prefix: str, folder: Path) -> Options:
    """Check an importer's options against its own model.

    Paths in the options are relative to the campaign's folder; they are made absolute here.

    Raises
    ------
    InputError
        With every option that is wrong, and the nearest right one for an unknown key.
    """
    model = importer.description.options
    path_fields = {name for name, field in model.model_fields.items() if "Path" in str(field.annotation)}
    placed = dict(options)
    problems = []
    for key in sorted(path_fields & options.keys()):
        if isinstance(options[key], str):
            placed[key] = (folder / options[key]).resolve()
            if not placed[key].is_relative_to(folder.resolve()):
                problems.append(
                    Problem(
                        where,
                        f"{prefix}{key} is {options[key]!r}",
                        "a path inside the campaign's folder",
                        "move the file there",
                    )
                )
            elif not placed[key].is_file():
                problems.append(
                    Problem(
                        where,
                        f"{prefix}{key} is {options[key]!r}, and there is no such file",
                        "a file, by its path from the campaign file",
                        "correct the path, or put the file there",
                    )
                )
    try:
        parsed = model.model_validate(placed)
    except ValidationError as error:
        problems.extend(option_problems(error, model, where, prefix))
    if problems:
        raise InputError(problems)
    return parsed


def read(importer: Importer, paths: Sequence[Path], options: Options, where: str) -> Reading:
    """Let an importer read the files of one device.

    Raises
    ------
    InputError
        The importer's own, or one that names the importer if it fails in any other way.
    """
    fix = f"report it to the makers of {importer.name} ({importer.origin})"
    try:
        reading = ask(importer.hooks.hook.anechain_read, paths=list(paths), options=options)
    except InputError:
        raise
    except OSError as error:
        raise InputError.single(error.filename or where, f"cannot be read: {error.strerror or error}") from None
    except (Exception, SystemExit) as error:
        raise InputError.single(where, f"importer {importer.name} failed: {_reason(error)}", fix=fix) from error
    if not isinstance(reading, Reading):
        raise InputError.single(
            where, f"importer {importer.name} gave {type(reading).__name__}, not a Reading", fix=fix
        )
    return reading
