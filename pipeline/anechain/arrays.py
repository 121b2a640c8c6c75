"""Names of array types."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Complexes", "Floats"]

Floats = NDArray[np.float64]
"""Real values."""
Complexes = NDArray[np.complex128]
"""Complex values."""
