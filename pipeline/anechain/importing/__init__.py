"""Importer plugins: their interface, the choice of an importer, what importers share, and checks of their data."""
