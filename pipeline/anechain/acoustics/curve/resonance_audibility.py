"""Threshold of audibility of a resonance: height in a level curve from which it is audible."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["THRESHOLD_AT_Q_1", "THRESHOLD_PER_DOUBLING", "audibility_threshold"]

THRESHOLD_AT_Q_1 = -22.0
"""dB; level of an added resonance of Q = 1, re the sound it is added to, at the threshold with pink noise.
Recalled, and uncertain by several decibels."""

THRESHOLD_PER_DOUBLING = 3.0
"""dB by which that level rises for each doubling of Q. Recalled."""


@method(
    "resonance-audibility",
    version=1,
    title="Height from which a resonance is audible, by its Q",
    formula="20 lg(1 + 10^(L / 20)) with L the level of the added resonance at Q = 1 plus the rise per doubling times "
    "log2 Q",
    source="Toole and Olive 1988, The Modification of Timbre by Resonances, J. Audio Eng. Soc. 36(3): the threshold of "
    "an added resonance rises by 3 dB per doubling of Q",
    source_status="recalled",
    limitations="The threshold at Q = 1 (-22 dB, pink noise) is recalled only roughly. With other sounds it is higher "
    "by up to about 10 dB, in reverberation it is lower, and for dips it is higher than for peaks. It shows what may "
    "be audible, not what is.",
)
def audibility_threshold(
    pole_q: ArrayLike, level_at_q_1_db: float = THRESHOLD_AT_Q_1, per_doubling_db: float = THRESHOLD_PER_DOUBLING
) -> Floats:
    """Return the height in a level curve at which a resonance is just audible.

    Parameters
    ----------
    pole_q : array_like
        Q of the resonance's poles.
    level_at_q_1_db : float
        Level in dB of the added resonance re the sound it is added to, at the threshold, for Q = 1.
    per_doubling_db : float
        Rise of that level in dB for each doubling of Q.

    Returns
    -------
    numpy.ndarray
        dB; 20 lg(1 + 10^(L / 20)) with L the level at that Q: 0.66 dB at Q = 1, 1.94 dB at Q = 10, 3.85 dB at Q = 50.

    Raises
    ------
    ValueError
        If a Q is not above zero.
    """
    q = np.asarray(pole_q, dtype=np.float64)
    if not (q > 0).all():
        raise ValueError("Q must be above zero")
    added = level_at_q_1_db + per_doubling_db * np.log2(q)
    return np.asarray(20 * np.log10(1 + 10 ** (added / 20)))
