"""Public interface for importers: the tests that every importer inherits; see :mod:`anechain.conformance.suite`."""

from anechain.conformance.suite import ImporterConformance, Sample

__all__ = ["ImporterConformance", "Sample"]
