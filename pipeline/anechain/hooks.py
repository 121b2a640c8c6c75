"""Public interface for importers: hooks, options, verdicts, readings, and the measurement checks of an importer.

Stable: a plugin imports from here, from :mod:`anechain.errors`, :mod:`anechain.assemble` and :mod:`anechain.testing`.
"""

from anechain.data.checks import Check, Series, check_not_possible, check_result, drive_errors_text
from anechain.importing.hooks import (
    CERTAIN,
    IDENTIFY_TIMEOUT,
    INTERFACE,
    LIKELY,
    LOAD_TIMEOUT,
    NO,
    POSSIBLE,
    Description,
    ImporterHooks,
    Options,
    Reading,
    Verdict,
    hookimpl,
    hookspec,
)
from anechain.importing.size_limit import check_size

__all__ = [
    "CERTAIN",
    "IDENTIFY_TIMEOUT",
    "INTERFACE",
    "LIKELY",
    "LOAD_TIMEOUT",
    "NO",
    "POSSIBLE",
    "Check",
    "Description",
    "ImporterHooks",
    "Options",
    "Reading",
    "Series",
    "Verdict",
    "check_not_possible",
    "check_result",
    "check_size",
    "drive_errors_text",
    "hookimpl",
    "hookspec",
]
