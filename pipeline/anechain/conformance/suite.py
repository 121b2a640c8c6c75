"""The tests that an importer inherits: requirements that every importer has to meet, whoever wrote it.

In the tests of an importer::

    from pathlib import Path

    import anechain_turntable
    from anechain.testing import ImporterConformance, Sample


    class TestConformance(ImporterConformance):
        plugin = anechain_turntable

        def samples(self, folder):
            return [Sample(sorted((Path(__file__).parent / "data").glob("*.log")))]

They need pytest and this project, and hypothesis for one of them. They do not test whether the values are right: only
the author knows what the samples hold, so the author's own tests have to compare the values with it.
"""

from __future__ import annotations

from anechain.conformance.cases import Sample
from anechain.conformance.description import DescriptionTests
from anechain.conformance.identification import IdentificationTests
from anechain.conformance.processes import ProcessTests
from anechain.conformance.reading import ReadingTests
from anechain.conformance.refusals import RefusalTests

__all__ = ["ImporterConformance", "Sample"]


class ImporterConformance(DescriptionTests, IdentificationTests, ReadingTests, ProcessTests, RefusalTests):
    """Requirements that every importer has to meet. Inherit from it, name the plugin, and return samples.

    See :class:`anechain.conformance.samples.ConformanceTests` for the attributes `plugin`, `claimed_kinds`,
    `max_identify_seconds` and `max_cuts` and for the methods `samples` and `foreign`.
    """
