"""One run at a time: the lock on a results folder.

The lock is the kernel's (flock) on `results/.chain/lock`, held by `anechain run` and by its workflow. It is released
when the last of them ends, however it ends, so there is never a stale lock to remove by hand.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from anechain.errors import InputError

__all__ = ["LOCK_VARIABLE", "acquire_lock", "acquire_lock_in_workflow", "lock_owner", "only_run"]

LOCK_VARIABLE = "ANECHAIN_LOCK"
"""Environment variable with the descriptor of the lock that `anechain run` hands to its workflow."""
_DYING = 3.0
"""Seconds that the processes of a killed run may take to end."""


def _lock_of(results: Path) -> Path:
    return results / ".chain" / "lock"


def lock_owner(results: Path) -> str:
    """Return a description of the process that runs in a results folder; empty if there is none."""
    try:
        handle = os.open(_lock_of(results), os.O_RDONLY)
    except OSError:
        return ""
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _named(_processes(handle))
    except OSError:
        return ""
    finally:
        os.close(handle)
    return ""


def acquire_lock(results: Path) -> int | None:
    """Lock a results folder, so that no other run can start.

    Returns
    -------
    int or None
        Descriptor of the lock, which is held as long as this, or a copy in a child process, is open. None if the file
        system has no locks.

    Raises
    ------
    InputError
        If another run is active, or the folder cannot be written.
    """
    path = _lock_of(results)
    deadline = time.monotonic() + _DYING
    try:
        while True:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o666)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                processes = _processes(handle)
                os.close(handle)
                if time.monotonic() > deadline or (processes and _is_running(processes[0])):
                    raise _busy(results, processes) from None
                time.sleep(0.1)
                continue
            except OSError:
                os.close(handle)
                return None
            if _is_at(handle, path):
                os.truncate(handle, 0)
                os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
                return handle
            os.close(handle)  # the previous run removed the file between our two steps
    except OSError as error:
        raise InputError.single(
            results, f"cannot be written: {error.strerror}", "a writable folder with enough space"
        ) from None


def _is_at(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError:
        return False


def _release(results: Path, handle: int) -> None:
    with suppress(OSError):
        if _is_at(handle, _lock_of(results)):
            _lock_of(results).unlink()
    os.close(handle)


def _processes(handle: int) -> list[int]:
    """Return the processes that a lock names: the run, then its workflow."""
    return [int(word) for word in os.pread(handle, 64, 0).split() if word.isdigit()]


def _is_running(process: int) -> bool:
    import psutil

    return psutil.pid_exists(process)


def _named(processes: Sequence[int]) -> str:
    running = [str(process) for process in processes if _is_running(process)]
    return f"process {running[0]}" if running else "a process on another machine, or a process that is ending"


def _busy(results: Path, processes: Sequence[int]) -> InputError:
    return InputError.single(
        results.parent,
        f"another run of this campaign is active: {_named(processes)}",
        "one run at a time",
        "wait until it has ended, or end it; finished results are kept",
    )


@contextmanager
def only_run(results: Path) -> Iterator[int | None]:
    """Hold the lock on a results folder; see :func:`acquire_lock`."""
    handle = acquire_lock(results)
    try:
        yield handle
    finally:
        if handle is not None:
            _release(results, handle)


def acquire_lock_in_workflow(results: Path) -> None:
    """Lock a results folder until the workflow's process ends, unless `anechain run` started it and holds the lock.

    Raises
    ------
    InputError
        See :func:`acquire_lock`.
    """
    import atexit

    with suppress(KeyError, ValueError, OSError):
        if _is_at(int(os.environ[LOCK_VARIABLE]), _lock_of(results)):
            return
    handle = acquire_lock(results)
    if handle is not None:
        atexit.register(_release, results, handle)
