"""Regular expressions of numbers that are written as text."""

from __future__ import annotations

import re

__all__ = ["LENIENT_DECIMAL_COMMA", "NUMBER", "NUMBER_WITH_COMMA", "NUMBER_WITH_POINT"]

_EXPONENT = r"(?:[eE][+-]?[0-9]+)?"

NUMBER_WITH_POINT = re.compile(rf"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+){_EXPONENT}")
"""Number with a decimal point, or without a decimal mark: ``-3.5``, ``3.``, ``.5``, ``1e-3``."""
NUMBER_WITH_COMMA = re.compile(rf"[+-]?[0-9]+(?:,[0-9]+)?{_EXPONENT}")
"""Number with a decimal comma, or without a decimal mark. The comma must have digits on both sides, because a comma
next to a blank separates columns."""
LENIENT_DECIMAL_COMMA = re.compile(rf"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+){_EXPONENT}")
"""Like `NUMBER_WITH_COMMA`, but also ``3,`` and ``,5``: for cells that are known to be one number."""
NUMBER = {"point": NUMBER_WITH_POINT, "comma": NUMBER_WITH_COMMA}
"""Expression for each decimal mark."""
