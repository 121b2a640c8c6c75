"""Functions that crash, hang, need too much memory or raise, called in a process of their own."""

import ctypes
import os
import signal
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from anechain.errors import InputError
from anechain.importing.worker import Worker, announce

LINUX = pytest.mark.skipif(
    sys.platform != "linux", reason="only Linux limits the memory of a process, and forks safely"
)


def process_id():
    return os.getpid()


def crash():
    announce("importer knots, reading oak.bin")
    ctypes.string_at(0)


def end():
    os._exit(7)


def hang():
    announce("importer knots, reading oak.bin")
    time.sleep(1000)


def refuse(number):
    raise InputError.single("oak.bin", f"line {number}", "another", "correct it")


def too_much():
    return np.ones(int(4e8)).sum()


def not_returned():
    return lambda: None


@pytest.fixture
def worker():
    with Worker(seconds=30, gigabytes=2) as one:
        yield one


def test_a_process_is_used_again(worker):
    first = worker.call("oak", process_id)
    assert first != os.getpid() and worker.call("oak", process_id) == first


@LINUX
def test_a_crash_names_the_task_and_the_next_call_has_a_new_process(worker):
    first = worker.call("oak", process_id)
    with pytest.raises(InputError, match=r"oak: importer knots, reading oak.bin: the process crashed \(SIGSEGV\)"):
        worker.call("oak", crash)
    assert worker.call("oak", process_id) not in (first, os.getpid())


def test_a_process_that_ends(worker):
    with pytest.raises(InputError, match="oak: the import: the process ended with the status 7"):
        worker.call("oak", end)


def test_a_hang_is_ended(worker):
    worker.seconds = 0.5
    start = time.monotonic()
    with pytest.raises(InputError, match=r"reading oak.bin: not finished after 0.5 s") as refused:
        worker.call("oak", hang)
    assert "importing.longest_time" in str(refused.value) and time.monotonic() - start < 500
    worker.seconds = 30
    assert worker.call("oak", process_id) != os.getpid()


@LINUX
def test_memory_beyond_the_limit_is_an_error_of_the_call_only(worker):
    with pytest.raises(MemoryError):
        worker.call("oak", too_much)
    assert worker.call("oak", process_id) != os.getpid()


def test_exceptions_come_back_whole(worker):
    with pytest.raises(InputError) as refused:
        worker.call("oak", refuse, number=3)
    assert str(refused.value) == "oak.bin: line 3\n    expected: another\n    fix: correct it"
    with pytest.raises(RuntimeError, match="function cannot be returned"):
        worker.call("oak", not_returned)


@LINUX
def test_the_process_ends_with_its_parent():
    """A parent that is killed has no time to end its processes."""
    ready, write = os.pipe()
    parent = os.fork()
    if not parent:
        with Worker(seconds=1000, gigabytes=2) as inner:
            os.write(write, str(inner.call("oak", process_id)).encode() + b"\n")
            inner.call("oak", hang)
    child = int(os.read(ready, 20))
    os.kill(parent, signal.SIGKILL)
    os.waitpid(parent, 0)
    for _ in range(3000):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            break
        if Path(f"/proc/{child}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z":
            break
        time.sleep(0.1)
    else:
        pytest.fail("the process goes on")
