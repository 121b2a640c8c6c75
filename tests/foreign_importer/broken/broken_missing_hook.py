"""Broken on purpose: cannot read."""

from anechain.hooks import NO, Description, Verdict, hookimpl


@hookimpl
def anechain_describe():
    return Description("No reader", "nothing", "1")


@hookimpl
def anechain_identify(path):
    return Verdict(NO, "never")
