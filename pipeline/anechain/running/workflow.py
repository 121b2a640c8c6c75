"""Run the workflow: one run at a time on a campaign, ended with all its processes when the user ends it.

Two things hold a run together. The lock is the kernel's (flock) on `results/.chain/lock`, held by `anechain run` and
by its workflow: it ends with the last of them, however they end, so there is never one to clear away by hand. The
lifeline is a pipe that nobody writes to: when `anechain run` is gone, by whatever signal, the workflow reads the end
of it and ends itself and its jobs.
"""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import IO, NoReturn

from anechain.errors import InputError
from anechain.running.plan import Plan, prepare_results

__all__ = [
    "Terminated",
    "acquire_lock",
    "acquire_lock_in_workflow",
    "end_with_parent",
    "lock_owner",
    "make_results",
    "only_run",
    "run_workflow",
]

_HELD = "ANECHAIN_LOCK"
_LIFELINE = "ANECHAIN_LIFELINE"
_GRACE = 20.0
"""Seconds that the workflow has to end by itself, such as to call back the jobs of a cluster."""
_DYING = 3.0
"""Seconds that the processes of a killed run may take to be gone."""


class Terminated(KeyboardInterrupt):
    """The run was ended from outside.

    Parameters
    ----------
    number : int
        The signal.
    """

    def __init__(self, number: int):
        self.number = number
        super().__init__(signal.Signals(number).name)


def _lock_of(results: Path) -> Path:
    return results / ".chain" / "lock"


def lock_owner(results: Path) -> str:
    """Name the processes of a run that is at work on a results folder; empty if there is none."""
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
    """Become the only run on a results folder.

    Returns
    -------
    int or None
        Descriptor of the lock; it is held as long as this, or a copy in a child, is open. None where the file system
        knows no locks.

    Raises
    ------
    InputError
        If another run is at work, or the folder cannot be written.
    """
    path = _lock_of(results)
    given_up = time.monotonic() + _DYING
    try:
        while True:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o666)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                processes = _processes(handle)
                os.close(handle)
                if time.monotonic() > given_up or (processes and _alive(processes[0])):
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
            os.close(handle)  # the run before removed it between our two steps
    except OSError as error:
        raise InputError.single(
            results, f"cannot be written: {error.strerror}", "a folder with room that you may write to"
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
    """Processes that a lock names: the run, then its workflow."""
    return [int(word) for word in os.pread(handle, 64, 0).split() if word.isdigit()]


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        pass
    return True


def _named(processes: Sequence[int]) -> str:
    living = [str(one) for one in processes if _alive(one)]
    return f"process {living[0]}" if living else "a process on another machine, or one that is just ending"


def _busy(results: Path, processes: Sequence[int]) -> InputError:
    return InputError.single(
        results.parent,
        f"another run is at work on this campaign: {_named(processes)}",
        "one run at a time",
        "wait until it has ended, or end it; what it has finished is kept",
    )


@contextmanager
def only_run(results: Path) -> Iterator[int | None]:
    """Be the only run on a results folder for a while; see :func:`acquire_lock`."""
    handle = acquire_lock(results)
    try:
        yield handle
    finally:
        if handle is not None:
            _release(results, handle)


def acquire_lock_in_workflow(results: Path) -> None:
    """Make the workflow the only run, for as long as its process lives, unless `anechain run` started it and is.

    Raises
    ------
    InputError
        See :func:`acquire_lock`.
    """
    import atexit

    with suppress(KeyError, ValueError, OSError):
        if _is_at(int(os.environ[_HELD]), _lock_of(results)):
            return
    handle = acquire_lock(results)
    if handle is not None:
        atexit.register(_release, results, handle)


def end_with_parent() -> None:
    """End this process and its children as soon as the run that started it is gone."""
    try:
        lifeline = int(os.environ[_LIFELINE])
    except (KeyError, ValueError):
        return
    if os.getpgrp() != os.getpid():  # not the process that the lifeline was given to
        return

    def wait() -> None:
        with suppress(OSError):
            os.read(lifeline, 1)
            os.killpg(os.getpgrp(), signal.SIGKILL)

    threading.Thread(target=wait, daemon=True).start()


def make_results(
    plan: Plan,
    campaign_file: Path,
    cores: int | None = None,
    profile: str | None = None,
    more: Sequence[str] = (),
    progress: bool = False,
) -> int:
    """Run the whole workflow on a campaign.

    Parameters
    ----------
    plan : Plan
        Of :func:`anechain.running.plan.load_plan`.
    campaign_file : Path
        The file it was loaded from.
    cores : int, optional
        Jobs at once; as many as the processor has cores if absent.
    profile : str, optional
        A Snakemake profile.
    more : sequence of str
        Further arguments for Snakemake; with any, Snakemake tells what it does.
    progress : bool
        Whether each job tells on stderr what it has made.

    Returns
    -------
    int
        Exit status of Snakemake.

    Raises
    ------
    InputError
        If another run is at work, or the results folder cannot be written.
    Ended
        See :func:`run_workflow`.
    """
    from anechain_workflows import snakefile

    settings = {
        "campaign": campaign_file.name,
        "trust_importers": plan.trust_importers,
        "keep_going": plan.keep_going,
    }
    with only_run(plan.results) as lock:
        # Cleaning up is left to the workflow, which does it with plain Snakemake too.
        prepare_results(plan, campaign_file, clean=False)
        return run_workflow(
            [
                *(sys.executable, "-m", "snakemake", "-s", str(snakefile()), "-d", str(plan.folder)),
                *("--cores", str(cores or os.cpu_count() or 1)),
                # A job that was cut short is done again; Snakemake's own lock would outlive a killed run.
                *("--rerun-incomplete", *([] if lock is None else ["--nolock"])),
                *([] if more else ["--quiet", "all"]),
                *(["--keep-going"] if plan.keep_going else []),
                *(["--profile", profile] if profile else []),
                *("--config", *(f"{name}={value}" for name, value in settings.items())),
                *more,
            ],
            {**os.environ, **({"ANECHAIN_PROGRESS": "1"} if progress else {})},
            lock,
        )


def run_workflow(command: Sequence[str], environment: Mapping[str, str], lock: int | None) -> int:
    """Run Snakemake as a child, and end it with all its jobs if the user ends the run.

    Parameters
    ----------
    command : sequence of str
        The command line.
    environment : mapping
        Environment of the child.
    lock : int or None
        From :func:`only_run`.

    Returns
    -------
    int
        Exit status of the child, 128 and the number of the signal if one ended it.

    Raises
    ------
    Ended
        On SIGINT, SIGTERM or SIGHUP, when all children are gone.
    """
    life, hand = os.pipe()
    shared = {_LIFELINE: life} | ({} if lock is None else {_HELD: lock})
    with _ending_signals():
        # A group of its own, so that a signal reaches the workflow once and its jobs too, and nobody else.
        process = subprocess.Popen(
            command,
            env={**environment, **{name: str(number) for name, number in shared.items()}},
            stderr=subprocess.PIPE,
            pass_fds=tuple(shared.values()),
            process_group=0,
        )
        os.close(life)
        if lock is not None:
            os.pwrite(lock, f"{os.getpid()}\n{process.pid}\n".encode(), 0)
        assert process.stderr is not None
        ended = threading.Event()
        relay = threading.Thread(target=_relay, args=(process.stderr, ended), daemon=True)
        relay.start()
        try:
            status = process.wait()
        except KeyboardInterrupt:
            ended.set()  # what the processes say on being ended is of no use to anyone
            _end(process)
            raise
        finally:
            os.close(hand)
        if status < 0:
            _kill(process)  # the workflow was killed; its jobs go on if nobody ends them
        relay.join(timeout=5)
    return status if status >= 0 else 128 - status


@contextmanager
def _ending_signals() -> Iterator[None]:
    """Let SIGINT, SIGTERM and SIGHUP raise :class:`Terminated`; where they are ignored (nohup) they stay ignored."""

    def end(number: int, frame: FrameType | None) -> NoReturn:
        del frame
        raise Terminated(number)

    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _relay(source: IO[bytes], ended: threading.Event) -> None:
    with source:
        while chunk := os.read(source.fileno(), 65536):
            if not ended.is_set():
                with suppress(OSError, ValueError):
                    sys.stderr.buffer.write(chunk)
                    sys.stderr.flush()


def _end(process: subprocess.Popen[bytes]) -> None:
    """Ask the whole group to end, and end it by force if it does not, or if the user asks again."""
    with suppress(OSError):
        os.killpg(process.pid, signal.SIGINT)
    with suppress(subprocess.TimeoutExpired, KeyboardInterrupt):
        process.wait(_GRACE)
    _kill(process)


def _kill(process: subprocess.Popen[bytes]) -> None:
    with suppress(OSError):
        os.killpg(process.pid, signal.SIGKILL)
    while True:
        with suppress(KeyboardInterrupt):
            process.wait()
            return
