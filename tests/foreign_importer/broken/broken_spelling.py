"""Broken on purpose: one hook is misspelled."""

from anechain.hooks import NO, Description, Reading, Verdict, hookimpl


@hookimpl
def anechain_describe():
    return Description("Misspelled", "nothing", "1")


@hookimpl
def anechain_identify(path):
    return Verdict(NO, "never")


@hookimpl
def anechain_read(paths, options):
    return Reading()


@hookimpl
def anechain_identfy(path):
    return Verdict(NO, "never")
