"""The Snakemake workflow that chains the stages."""

from __future__ import annotations

from pathlib import Path

__all__ = ["snakefile"]


def snakefile() -> Path:
    """Path of the Snakefile, for `snakemake -s`."""
    return Path(__file__).with_name("Snakefile")
