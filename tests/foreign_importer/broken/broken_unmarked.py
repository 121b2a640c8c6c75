"""Broken on purpose: its functions are not marked as hooks."""

from anechain.hooks import Description


def anechain_describe():
    return Description("Unmarked", "nothing", "1")
