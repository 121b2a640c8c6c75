"""Tests that every importer inherits."""
