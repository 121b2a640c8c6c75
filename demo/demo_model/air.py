"""The air of the demo: 20 °C, 101.3 kPa, without losses."""

from __future__ import annotations

__all__ = ["DENSITY", "SPEED_OF_SOUND"]

SPEED_OF_SOUND = 343.2
"""m/s at 20 °C."""

DENSITY = 1.204
"""kg/m³ at 20 °C and 101.3 kPa."""
