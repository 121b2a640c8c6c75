"""Importers of ring files that have one fault each, to test the tests that importers inherit.

The good one is the foreign importer (see foreign_importer); each of the others does one thing wrong.
"""

import random
import sys
import time
from pathlib import Path

from pydantic import ConfigDict, Field

from anechain.errors import InputError, Problem
from anechain.hooks import CERTAIN, LIKELY, NO, Description, Reading, Verdict, hookimpl

sys.path.append(str(Path(__file__).parent / "foreign_importer"))

import rings_importer


class Good:
    """The foreign importer as an object."""

    @hookimpl
    def anechain_describe(self):
        return self.describe()

    @hookimpl
    def anechain_identify(self, path):
        return self.identify(path)

    @hookimpl
    def anechain_read(self, paths, options):
        return self.read(paths, options)

    def describe(self):
        return self.described()

    def described(self, **changes):
        return Description(**(vars(rings_importer.anechain_describe()) | changes))

    def identify(self, path):
        return rings_importer.anechain_identify(path)

    def read(self, paths, options):
        return rings_importer.anechain_read(paths, options)


class Untitled(Good):
    def describe(self):
        return self.described(title="")


class TwoLines(Good):
    def describe(self):
        return self.described(reads="ring files\nand more")


class GivesMelodies(Good):
    def describe(self):
        return self.described(sources=("responses", "melodies"))


class Indescribable(Good):
    def describe(self):
        raise RuntimeError("no idea")


class Undescribed(Good):
    class Turned(rings_importer.RingOptions):
        turned: str = "left"

    def describe(self):
        return self.described(options=self.Turned)


class BadDefault(Good):
    class Spread(rings_importer.RingOptions):
        model_config = ConfigDict(validate_default=False)
        spread: float = Field(default=-1.0, gt=0, description="spread in degrees")

    def describe(self):
        return self.described(options=self.Spread)


class Careless(Good):
    class Any(rings_importer.RingOptions):
        model_config = ConfigDict(extra="ignore")

    def describe(self):
        return self.described(options=self.Any)


class Forgetful(Good):
    class Alone(rings_importer.RingOptions):
        def companion_files(self):
            return ()

    def describe(self):
        return self.described(options=self.Alone)


class ClaimsEverything(Good):
    def identify(self, path):
        return Verdict(CERTAIN, "all is mine")


class ClaimsNothing(Good):
    def identify(self, path):
        return Verdict(NO, "nothing is mine")


class RaisesOnJunk(Good):
    def identify(self, path):
        path.read_text(encoding="utf-8")
        return super().identify(path)


class AnswersNothing(Good):
    def identify(self, path):
        verdict = super().identify(path)
        return verdict if verdict.confidence or path.suffix != ".ring" else None


class NotesBeside(Good):
    def identify(self, path):
        path.with_suffix(".seen").touch()
        return super().identify(path)


class NotesInTheWorkingFolder(Good):
    def identify(self, path):
        Path("seen").touch()
        return super().identify(path)


class Fickle(Good):
    def identify(self, path):
        verdict = super().identify(path)
        self.asked = not getattr(self, "asked", False)
        return Verdict(LIKELY, verdict.reason) if verdict.confidence and self.asked else verdict


class Slow(Good):
    def identify(self, path):
        if path.stat().st_size > 1_000_000:
            time.sleep(0.2)
        return super().identify(path)


class WrongType(Good):
    def read(self, paths, options):
        return vars(super().read(paths, options))


class Invalid(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        level = reading.responses["level"] + 500
        return Reading(responses=reading.responses.assign(level=level), report=reading.report)


class ReadsOnlyResponses(Good):
    """Good, but for the samples of an impedance that its description promises."""

    def describe(self):
        return self.described(sources=("responses", "impedance"))


class HidesRemarks(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        said = tuple(line for line in reading.report if "missing" in line)
        return Reading(responses=reading.responses, report=said)


class SaysNothing(Good):
    def read(self, paths, options):
        return Reading(responses=super().read(paths, options).responses)


class HidesGaps(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        said = tuple(line for line in reading.report if "missing" not in line)
        return Reading(responses=reading.responses, report=said)


class SaysAllInOne(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        return Reading(responses=reading.responses, report=("\n".join(sorted(reading.report)),))


class DropsAFile(Good):
    def read(self, paths, options):
        return super().read(sorted(paths)[:1], options)


class ChangesTheFile(Good):
    def read(self, paths, options):
        for path in paths:
            path.chmod(0o644)
            path.write_bytes(path.read_bytes())
        return super().read(paths, options)


class LeavesACache(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        (paths[0].parent / "cache").write_bytes(b"1")
        return reading


class Random(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        level = reading.responses["level"] + random.random() * 1e-9
        return Reading(responses=reading.responses.assign(level=level), report=reading.report)


class MindsTheOrder(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        return Reading(responses=reading.responses.assign_attrs(origin=paths[0].name), report=reading.report)


class MindsTheHashSeed(Good):
    def read(self, paths, options):
        reading = super().read(paths, options)
        origin = "".join(set("abcdefghijklmnopqrstuvwxyz"))
        return Reading(responses=reading.responses.assign_attrs(origin=origin), report=reading.report)


class MindsTheLanguage(Good):
    def read(self, paths, options):
        for path in paths:
            path.read_text()  # in whatever encoding the machine prefers
        return super().read(paths, options)


class FailsOnCuts(Good):
    def read(self, paths, options):
        if any(path.read_bytes().startswith(b"rings 1") and path.read_bytes().count(b"\n") == 4 for path in paths):
            raise IndexError("list index out of range")
        return super().read(paths, options)


class LeavesOnCuts(Good):
    def read(self, paths, options):
        try:
            return super().read(paths, options)
        except InputError:
            if all(rings_importer.anechain_identify(path).confidence for path in paths):
                raise SystemExit("enough") from None
            raise


class Nameless(Good):
    def read(self, paths, options):
        try:
            return super().read(paths, options)
        except InputError as input_error:
            raise InputError([Problem("a file", "is wrong", fix=one.fix) for one in input_error.problems]) from None


class Helpless(Good):
    def read(self, paths, options):
        try:
            return super().read(paths, options)
        except InputError as input_error:
            raise InputError([Problem(one.where, one.what) for one in input_error.problems]) from None


class ReadsAnything(Good):
    def read(self, paths, options):
        if not any(rings_importer.anechain_identify(path).confidence for path in paths):
            return Reading(responses=None, report=("nothing found",))
        return super().read(paths, options)


good = Good()
by_seed = MindsTheHashSeed()
by_language = MindsTheLanguage()
at_random = Random()
