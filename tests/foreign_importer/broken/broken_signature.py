"""Broken on purpose: an argument has another name."""

from anechain.hooks import NO, Description, Reading, Verdict, hookimpl


@hookimpl
def anechain_describe():
    return Description("Other argument", "nothing", "1")


@hookimpl
def anechain_identify(file):
    return Verdict(NO, "never")


@hookimpl
def anechain_read(paths, options):
    return Reading()
