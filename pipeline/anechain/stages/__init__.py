"""One module per stage: files in, files out, no arithmetic of its own.

Each stage module has a version, raised whenever the same input would give another output, and the ids of the
methods it uses. Both are among the workflow's parameters, so that raising one redoes what used it, and nothing else.
"""

from __future__ import annotations

import importlib
from types import ModuleType

__all__ = ["stage_module", "stage_versions"]


def stage_module(stage: str) -> ModuleType:
    """Import a stage's module."""
    return importlib.import_module(f"anechain.stages.{stage}")


def stage_versions(stage: str) -> dict[str, int]:
    """Versions of a stage and of every method it uses."""
    from anechain.methods import versions

    module = stage_module(stage)
    return {f"stage {stage}": module.VERSION, **versions(module.USES)}
