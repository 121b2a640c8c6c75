"""Public interface for importers: from curves or grids of directions to the datasets of the contract.

Stable: a plugin imports from here, from :mod:`anechain.errors`, :mod:`anechain.hooks` and :mod:`anechain.testing`.
"""

from anechain.importing.assemble import Curve, assemble_responses, assemble_sphere
from anechain.importing.grids import Grid, datasets_of_grid

__all__ = ["Curve", "Grid", "assemble_responses", "assemble_sphere", "datasets_of_grid"]
