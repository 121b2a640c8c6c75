"""Broken on purpose: loads, and then gives answers that are none."""

import threading

from anechain.hooks import CERTAIN, Description, Reading, Verdict, hookimpl


class Plugin:
    """An importer that claims any file, unless told otherwise."""

    def __init__(self, identify=lambda: Verdict(CERTAIN, "all is mine"), read=Reading):
        self.identify, self.read = identify, read

    @hookimpl
    def anechain_describe(self):
        return Description("Answers", "anything", "1")

    @hookimpl
    def anechain_identify(self, path):
        return self.identify()

    @hookimpl
    def anechain_read(self, paths, options):
        return self.read()


def _fail():
    raise KeyError("row 7")


def _leave():
    raise SystemExit("enough")


def _unreadable():
    raise PermissionError(13, "Permission denied", "raw/alder.ring")


def _hang():
    threading.Event().wait(60)


def _interrupt():
    raise KeyboardInterrupt


identify_hangs = Plugin(_hang)
identify_interrupts = Plugin(_interrupt)
identify_raises = Plugin(_fail)
identify_leaves = Plugin(_leave)
identify_nothing = Plugin(lambda: None)
identify_number = Plugin(lambda: 0.9)
identify_too_sure = Plugin(lambda: Verdict(1.5, "very sure"))
identify_without_reason = Plugin(lambda: Verdict(1.0, " "))
read_raises = Plugin(read=_fail)
read_leaves = Plugin(read=_leave)
read_nothing = Plugin(read=lambda: None)
read_words = Plugin(read=lambda: "84 dB")
read_unreadable = Plugin(read=_unreadable)
