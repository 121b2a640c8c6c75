"""Tests that every importer inherits: :class:`anechain.conformance.suite.ImporterConformance`.

A mixin for each question: `description`, `identification`, `reading`, `refusals`, `processes`. All of them take their
samples from `samples`.
"""
