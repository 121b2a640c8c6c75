"""Importer plugins: hooks, identification, assembly of datasets, checks of what was imported."""
