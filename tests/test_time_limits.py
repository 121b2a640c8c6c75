"""Calls of plugin code in threads that wait for them."""

import contextvars
import subprocess
import sys
import threading

import pytest

from anechain.importing.time_limits import TooSlowError, call_within

FORK = """
import os
from anechain.importing.time_limits import call_within
assert call_within(60, lambda: 1) == 1
child = os.fork()
if child == 0:
    os._exit(0 if call_within(5, lambda: 2) == 2 else 1)
print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""


def test_results_and_exceptions_are_those_of_the_call():
    assert call_within(60, lambda: 7) == 7
    with pytest.raises(ZeroDivisionError):
        call_within(60, lambda: 1 // 0)
    with pytest.raises(SystemExit):
        call_within(60, lambda: sys.exit(3))


def test_many_calls_share_a_thread_apart_from_the_callers():
    threads = {call_within(60, threading.get_ident) for _ in range(200)}
    assert threading.get_ident() not in threads
    assert len(threads) < 5


def test_a_call_has_the_context_of_its_caller_and_does_not_change_it():
    variable = contextvars.ContextVar("variable", default="outside")
    variable.set("caller")
    assert call_within(60, variable.get) == "caller"
    call_within(60, lambda: variable.set("inside"))
    assert variable.get() == "caller"


def test_a_call_that_is_too_slow_does_not_block_the_next():
    release = threading.Event()
    try:
        with pytest.raises(TooSlowError):
            call_within(0.05, release.wait)
        assert call_within(60, lambda: "next") == "next"
    finally:
        release.set()


def test_a_forked_process_starts_threads_of_its_own():
    done = subprocess.run([sys.executable, "-c", FORK], capture_output=True, text=True)
    assert done.stdout.strip() == "0", done.stderr
