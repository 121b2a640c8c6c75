"""The data contract as versioned YAML, and the JSON Schema of the campaign file."""

from __future__ import annotations

from importlib.resources import files

__all__ = ["available", "text"]


def available() -> list[str]:
    """Names of all contract files, each `<contract>-<version>`."""
    return sorted(
        entry.name.removesuffix(".yaml") for entry in files(__name__).iterdir() if entry.name.endswith(".yaml")
    )


def text(name: str) -> str:
    """Text of one file of this package."""
    return files(__name__).joinpath(name).read_text(encoding="utf-8")
