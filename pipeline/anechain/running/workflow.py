"""Run the workflow as a child process, and end it with all its jobs when the user ends the run.

`anechain run` holds one end of a pipe that nobody writes to. When it ends, by whatever signal, the workflow reads the
end of the pipe, and ends itself and its jobs.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import IO, NoReturn

from anechain.running.lock import LOCK_VARIABLE, only_run
from anechain.running.plan import Plan
from anechain.running.prepare import prepare_results

__all__ = ["CAMPAIGN_VARIABLE", "Terminated", "end_with_parent", "make_results", "run_workflow"]

CAMPAIGN_VARIABLE = "ANECHAIN_CAMPAIGN"
"""Environment variable with the name of the campaign's file, from `anechain run` to its workflow."""
_LIFELINE = "ANECHAIN_LIFELINE"
_GRACE = 20.0
"""Seconds that the workflow has to end by itself, for example to cancel the jobs of a cluster."""


class Terminated(KeyboardInterrupt):
    """A signal ended the run.

    Parameters
    ----------
    number : int
        The signal.
    """

    def __init__(self, number: int):
        self.number = number
        super().__init__(signal.Signals(number).name)


def end_with_parent() -> None:
    """End this process and its children as soon as the run that started it has ended."""
    try:
        lifeline = int(os.environ[_LIFELINE])
    except (KeyError, ValueError):
        return
    if os.getpgrp() != os.getpid():  # a child, which inherited the variable
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
        Of :func:`anechain.running.prepare.load_plan`.
    campaign_file : Path
        The file it was loaded from.
    cores : int, optional
        Jobs at once; as many as the processor has cores if absent.
    profile : str, optional
        A Snakemake profile.
    more : sequence of str
        Further arguments for Snakemake; with any, Snakemake shows its own messages.
    progress : bool
        Whether each job reports on stderr what it has made.

    Returns
    -------
    int
        Exit status of Snakemake.

    Raises
    ------
    InputError
        If another run is active, or the results folder cannot be written.
    Terminated
        See :func:`run_workflow`.
    """
    from anechain_workflows import snakefile

    settings = {
        "trust_importers": plan.trust_importers,
        "keep_going": plan.keep_going,
    }
    # Not in --config, because Snakemake would read a name such as 2024 or "x #y.yaml" as a number or a part of it.
    environment = {**os.environ, CAMPAIGN_VARIABLE: campaign_file.name}
    if progress:
        environment["ANECHAIN_PROGRESS"] = "1"
    with only_run(plan.results) as lock:
        # The workflow cleans up, since it can be started by plain Snakemake too.
        prepare_results(plan, campaign_file, clean=False)
        return run_workflow(
            [
                *(sys.executable, "-m", "snakemake", "-s", str(snakefile()), "-d", str(plan.folder)),
                *("--cores", str(cores or os.cpu_count() or 1)),
                # Interrupted jobs are done again. Snakemake's own lock would outlive a killed run.
                *("--rerun-incomplete", *([] if lock is None else ["--nolock"])),
                *([] if more else ["--quiet", "all"]),
                *(["--keep-going"] if plan.keep_going else []),
                *(["--profile", profile] if profile else []),
                *("--config", *(f"{name}={value}" for name, value in settings.items())),
                *more,
            ],
            environment,
            lock,
        )


def run_workflow(command: Sequence[str], environment: Mapping[str, str], lock: int | None) -> int:
    """Run Snakemake as a child process, and end it with all its jobs if the user ends the run.

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
        Exit status of the child; 128 plus the number of the signal if a signal ended it.

    Raises
    ------
    Terminated
        On SIGINT, SIGTERM or SIGHUP, when all children have ended.
    """
    read_end, write_end = os.pipe()
    shared = {_LIFELINE: read_end} | ({} if lock is None else {LOCK_VARIABLE: lock})
    with _ending_signals():
        # A process group of its own, so that a signal reaches the workflow and its jobs, once, and nothing else.
        process = subprocess.Popen(
            command,
            env={**environment, **{name: str(number) for name, number in shared.items()}},
            stderr=subprocess.PIPE,
            pass_fds=tuple(shared.values()),
            process_group=0,
        )
        os.close(read_end)
        if lock is not None:
            os.pwrite(lock, f"{os.getpid()}\n{process.pid}\n".encode(), 0)
        assert process.stderr is not None
        ended = threading.Event()
        relay = threading.Thread(target=_relay, args=(process.stderr, ended), daemon=True)
        relay.start()
        try:
            status = process.wait()
        except KeyboardInterrupt:
            ended.set()  # messages of processes that are being ended are of no use
            _end(process)
            raise
        finally:
            os.close(write_end)
        if status < 0:
            _kill(process)  # the workflow was killed: end its jobs too
        relay.join(timeout=5)
    return status if status >= 0 else 128 - status


@contextmanager
def _ending_signals() -> Iterator[None]:
    """Make SIGINT, SIGTERM and SIGHUP raise :class:`Terminated`; signals that are ignored (nohup) stay ignored."""

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
    """Interrupt the whole process group; kill it if it does not end in time, or if the user interrupts again."""
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
