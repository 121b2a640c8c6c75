"""Broken on purpose: objects whose description is wrong, each in its own way."""

import threading

from anechain.hooks import NO, Description, Reading, Verdict, hookimpl


class Plugin:
    """An importer that knows no file."""

    @hookimpl
    def anechain_describe(self):
        return self.described()

    def described(self):
        return Description("Described", "nothing", "1")

    @hookimpl
    def anechain_identify(self, path):
        return Verdict(NO, "never")

    @hookimpl
    def anechain_read(self, paths, options):
        return Reading()


class Nothing(Plugin):
    def described(self):
        return None


class Words(Plugin):
    def described(self):
        return "reads everything"


class Raising(Plugin):
    def described(self):
        raise RuntimeError("no\nidea")


class Leaving(Plugin):
    def described(self):
        raise SystemExit(3)


class Hanging(Plugin):
    def described(self):
        threading.Event().wait(60)


class OtherOptions(Plugin):
    def described(self):
        return Description("Other options", "nothing", "1", dict)


nothing, words, raising, leaving, other_options = Nothing(), Words(), Raising(), Leaving(), OtherOptions()
hanging = Hanging()
whole = Plugin()
