"""Find the importer that a file belongs to: ask all importers, and choose the one with the highest confidence."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path

from anechain.errors import InputError, Problem
from anechain.importing.hooks import IDENTIFY_TIMEOUT, Verdict
from anechain.importing.importers import BrokenImporter, Importer, call_hook, error_text
from anechain.importing.time_limits import TooSlowError, call_within, known_as_slow, mark_as_slow
from anechain.importing.worker import announce

__all__ = ["choose_importer", "collect_verdicts"]

_warned: set[tuple[str, str]] = set()
"""Slow importers, by name and origin, that this process has warned of."""


def collect_verdicts(path: Path, importers: Mapping[str, Importer]) -> dict[str, Verdict | BrokenImporter]:
    """Ask every importer about one file.

    Parameters
    ----------
    path : Path
        A file that exists and is not empty.
    importers : mapping of str to Importer
        By name.

    Returns
    -------
    dict of str to Verdict or Broken
        By name; Broken with the reason for an importer that failed or took too long.
    """
    return {name: _verdict(path, importer) for name, importer in importers.items()}


def _verdict(path: Path, importer: Importer) -> Verdict | BrokenImporter:
    name, origin = importer.name, importer.origin
    if (reason := known_as_slow(name, origin)) is not None:
        return BrokenImporter(name, origin, reason)
    announce(f"importer {name}, identifying {path.name}")
    call = partial(call_hook, importer.hooks.hook.anechain_identify, path=path)
    try:
        verdict = call_within(IDENTIFY_TIMEOUT, call)
    except TooSlowError:
        return BrokenImporter(
            name, origin, mark_as_slow(name, origin, f"anechain_identify of {path.name}", IDENTIFY_TIMEOUT)
        )
    except (Exception, SystemExit) as error:
        reason = f"anechain_identify failed: {error_text(error)}"
        return BrokenImporter(name, origin, reason, traceback.format_exc())
    if not isinstance(verdict, Verdict):
        return BrokenImporter(name, origin, f"anechain_identify returned {type(verdict).__name__}, not a Verdict")
    return verdict


def choose_importer(
    paths: Sequence[Path], importers: Mapping[str, Importer], broken: Iterable[BrokenImporter], shown: str
) -> Importer:
    """Return the one importer that all files of a device belong to.

    Parameters
    ----------
    paths : sequence of Path
        Files that exist and are not empty.
    importers, broken
        As :func:`anechain.importing.importers.find_importers` returns them.
    shown : str
        The device, for messages.

    Raises
    ------
    InputError
        If no importer knows a file, if several have the same highest confidence, or if the files belong to different
        importers. The message holds the verdict of every importer.
    """
    problems: list[Problem] = []
    chosen: dict[Path, str] = {}
    for path in paths:
        answers = collect_verdicts(path, importers)
        ranked = sorted(
            ((answer.confidence, name) for name, answer in answers.items() if isinstance(answer, Verdict)), reverse=True
        )
        text = _verdicts_text(answers)
        if not ranked or ranked[0][0] <= 0:
            problems.append(
                Problem(
                    str(path),
                    f"no importer knows this file: {text}",
                    fix="install an importer for it, or name one with `importer:`",
                )
            )
        elif len(ranked) > 1 and ranked[1][0] == ranked[0][0]:
            problems.append(
                Problem(
                    str(path),
                    f"several importers claim this file with the same confidence: {text}",
                    fix="name one with `importer:`",
                )
            )
        else:
            chosen[path] = ranked[0][1]
            _warn_of_slow(answers)
    if problems:
        # Once, and not for each file: one of them may be the importer that these files belong to.
        problems += [
            Problem(f"importer {each.name}", f"cannot be used: {each.reason}", fix=f"correct or remove {each.origin}")
            for each in broken
        ]
    if len(set(chosen.values())) > 1:
        examples = {name: path.name for path, name in chosen.items()}
        listed = ", ".join(f"{path} to {name}" for name, path in sorted(examples.items()))
        problems.append(
            Problem(
                shown, f"its files belong to different importers: {listed}", "one importer", "name one with `importer:`"
            )
        )
    if problems:
        raise InputError(problems)
    return importers[next(iter(chosen.values()))]


def _verdicts_text(answers: Mapping[str, Verdict | BrokenImporter]) -> str:
    texts = []
    for name, answer in answers.items():
        if isinstance(answer, BrokenImporter):
            texts.append(f"{name}: failed ({answer.reason})")
        else:
            texts.append(f"{name}: {answer.confidence:.1f} ({answer.reason})")
    return "; ".join(texts) or "no importer is installed"


def _warn_of_slow(answers: Mapping[str, Verdict | BrokenImporter]) -> None:
    """Warn, once per process, of an importer that was skipped for its time when another one was chosen."""
    for name, answer in answers.items():
        if not isinstance(answer, BrokenImporter) or (name, answer.origin) in _warned:
            continue
        if known_as_slow(name, answer.origin) is not None:
            _warned.add((name, answer.origin))
            logging.getLogger(__name__).warning("%s cannot be used: %s (from %s)", name, answer.reason, answer.origin)
