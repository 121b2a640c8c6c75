"""Anechain: from raw loudspeaker measurements to comparable, auditable curves."""

__version__ = "0.1.0"
