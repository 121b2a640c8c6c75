"""Proofs with a program of the machine, such as a second reader of a format that we write."""

import shutil

import pytest


def needs_program(name):
    """Mark a test as a proof that needs a program; skipped without it."""

    def mark(test):
        return pytest.mark.proof(
            pytest.mark.skipif(shutil.which(name) is None, reason=f"{name} is not installed")(test)
        )

    return mark
