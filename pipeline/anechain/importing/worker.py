"""Run importers in a process of their own, so that a crash, a hang or a lack of memory becomes a refusal in words.

The process is used again for the next device as long as it behaves, because its libraries take a second to load.
"""

from __future__ import annotations

import ctypes
import faulthandler
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from contextvars import ContextVar
from multiprocessing.connection import Connection
from types import TracebackType
from typing import ParamSpec, TypeVar

from anechain.errors import InputError

__all__ = ["Worker", "announce"]

_T = TypeVar("_T")
_P = ParamSpec("_P")
_announced: ContextVar[Callable[[str], None] | None] = ContextVar("announced", default=None)
_PR_SET_PDEATHSIG = 1
"""prctl(2): the signal that a process receives when its parent ends."""


def announce(task: str) -> None:
    """State what starts now, such as "importer sofa, oak.sofa", for the message if the process does not survive it."""
    if (send := _announced.get()) is not None:
        send(task)


class Worker:
    """A process that calls functions for this one.

    Parameters
    ----------
    seconds : float
        Time limit of a call.
    gigabytes : float
        Memory in 10^9 bytes that a call may need in addition to what the process has; without effect where the system
        has no such limit.
    """

    def __init__(self, seconds: float, gigabytes: float) -> None:
        self.seconds, self.gigabytes = seconds, gigabytes
        self._process: multiprocessing.process.BaseProcess | None = None
        self._connection: Connection | None = None

    def __enter__(self) -> Worker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def call(self, where: str, function: Callable[_P, _T], *arguments: _P.args, **options: _P.kwargs) -> _T:
        """Return the result of a function that was called in the process.

        Parameters
        ----------
        where : str
            The device, for messages.
        function : callable
            A function of a module.
        *arguments, **options
            Its arguments; they and the result must be picklable.

        Raises
        ------
        InputError
            If the process ended or exceeded its time; with the last task that was announced.
        Exception
            Whatever the function raises.
        """
        if self._process is None:
            self._start()
        assert self._process is not None and self._connection is not None
        task = "the import"
        try:
            self._connection.send((function, arguments, options))
            while self._connection.poll(self.seconds):
                kind, content = self._connection.recv()
                if kind == "task":
                    task = content
                elif kind == "error":
                    raise content
                else:
                    return content  # type: ignore[no-any-return]
        except (EOFError, ConnectionError):
            self._process.join(timeout=10)
            ending = _ending(self._process.exitcode)
            self.close()
            raise InputError.single(
                where,
                f"{task}: the process {ending}",
                "files that its importer can read",
                "check these files and export them again; if they are whole, report it to the authors of the importer",
            ) from None
        except BaseException as error:
            if not isinstance(error, Exception):
                self.close()
            raise
        self.close()
        raise InputError.single(
            where,
            f"{task}: not finished after {self.seconds:g} s",
            f"at most {self.seconds:g} s for a device",
            "check these files; if the import takes so long on purpose, raise `importing.longest_time` in the campaign",
        )

    def close(self) -> None:
        """End the process."""
        process, connection = self._process, self._connection
        self._process = self._connection = None
        if connection is not None:
            connection.close()
        if process is not None:
            process.kill()
            process.join()

    def _start(self) -> None:
        # A forked process has all modules of this one; where forking is not safe, it has to import them again.
        forks = sys.platform == "linux"
        context = multiprocessing.get_context("fork") if forks else multiprocessing.get_context("spawn")
        self._connection, other = context.Pipe()
        self._process = context.Process(target=_serve, args=(other, self.gigabytes, os.getpid()), daemon=True)
        self._process.start()
        other.close()


def _ending(exit_code: int | None) -> str:
    if exit_code is not None and exit_code < 0:
        try:
            return f"crashed ({signal.Signals(-exit_code).name})"
        except ValueError:
            return f"crashed (signal {-exit_code})"
    return "ended by itself" if exit_code is None else f"ended with the status {exit_code}"


def _serve(connection: Connection, gigabytes: float, parent: int) -> None:
    """Call functions until the other end is closed."""
    _end_with(parent)
    faulthandler.disable()  # the message names the crash
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    _announced.set(lambda task: connection.send(("task", task)))
    while True:
        try:
            function, arguments, options = connection.recv()
        except EOFError:
            return
        _limit_memory(gigabytes)
        answer: tuple[str, object]
        try:
            answer = "result", function(*arguments, **options)
        except Exception as error:
            answer = "error", error
        try:
            connection.send(answer)
        except (TypeError, AttributeError, ValueError) as error:
            connection.send(("error", RuntimeError(f"{type(answer[1]).__name__} cannot be returned: {error}")))


def _end_with(parent: int) -> None:
    """Let this process end when its parent does, also if that was killed: no file is written after a run has ended."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:
            os._exit(1)


def _limit_memory(gigabytes: float) -> None:
    """Limit the address space of this process to what it has and some more."""
    if sys.platform == "linux":
        import resource

        with open("/proc/self/statm", encoding="ascii") as file:  # noqa: PTH123  # not a file of the user
            pages = int(file.read().split()[0])
        limit = pages * resource.getpagesize() + int(gigabytes * 1e9)
        with suppress(ValueError):  # a lower limit of the system stays
            resource.setrlimit(resource.RLIMIT_AS, (limit, resource.getrlimit(resource.RLIMIT_AS)[1]))
