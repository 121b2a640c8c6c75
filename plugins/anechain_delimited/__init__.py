"""Importer, being written."""
