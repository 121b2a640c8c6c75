"""Broken on purpose: needs what is not installed."""

import a_library_that_nobody_has  # noqa: F401
