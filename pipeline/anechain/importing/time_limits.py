"""Call plugin code with a time limit, and remember the plugins that exceeded theirs."""

from __future__ import annotations

import contextvars
import os
import queue
import threading
from collections.abc import Callable
from typing import TypeVar

__all__ = ["TooSlowError", "call_within", "known_as_slow", "mark_as_slow"]

_T = TypeVar("_T")
_Tasks = queue.SimpleQueue[Callable[[], None]]
_slow: dict[tuple[str, str], str] = {}
"""Reason for each importer that exceeded a time limit in this process, by name and origin.

A thread of such an importer may still be running.
"""
_idle: list[_Tasks] = []
"""Queues of the threads that wait for a call: thousands of files are identified, and starting a thread takes longer."""
os.register_at_fork(after_in_child=_idle.clear)  # a forked process has none of these threads


class TooSlowError(Exception):
    """A plugin did not return in time."""


def call_within(seconds: float, call: Callable[[], _T]) -> _T:
    """Return the result of a call that has to finish within a time limit.

    Parameters
    ----------
    seconds : float
        Time limit.
    call : callable
        Function without arguments.

    Returns
    -------
    object
        What `call` returns.

    Raises
    ------
    TooSlowError
        If the call has not returned in time.
    BaseException
        Whatever the call raises.

    Notes
    -----
    The call runs in a daemon thread, which does not keep the program from ending. After the time limit the thread is
    not stopped: it may go on to use the processor, or hold a lock of a library, until the process ends. A process for
    each call would be safer, but costs a second of imports each.
    """
    results: queue.SimpleQueue[tuple[_T | None, BaseException | None]] = queue.SimpleQueue()
    context = contextvars.copy_context()
    try:
        tasks = _idle.pop()
    except IndexError:
        tasks = queue.SimpleQueue()
        threading.Thread(target=_work, args=(tasks,), daemon=True).start()

    def task() -> None:
        try:
            outcome: tuple[_T | None, BaseException | None] = context.run(call), None
        except BaseException as error:
            outcome = None, error
        _idle.append(tasks)
        results.put(outcome)

    tasks.put(task)
    try:
        result, error = results.get(timeout=seconds)
    except queue.Empty:
        raise TooSlowError from None
    if error is not None:
        raise error
    return result  # type: ignore[return-value]  # without an error there is a result


def _work(tasks: _Tasks) -> None:
    while True:
        tasks.get()()


def mark_as_slow(name: str, origin: str, task: str, seconds: float) -> str:
    """Remember that an importer exceeded a time limit, and return the reason not to call it again.

    Parameters
    ----------
    name, origin : str
        The importer.
    task : str
        What took too long, such as "its import".
    seconds : float
        The time limit.
    """
    return _slow.setdefault((name, origin), f"{task} took longer than {seconds:g} s; it is not called again")


def known_as_slow(name: str, origin: str) -> str | None:
    """Return the reason not to call an importer again; None if it has kept its time limits in this process."""
    return _slow.get((name, origin))
