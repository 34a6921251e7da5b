"""Compaction laws: chance of overstress, and the compaction index with its memory of earlier passes.

One law serves memory, share of the first pass and order. The chance is an uncalibrated index: the soil's
own uncertainty is met again by every pass, so chances of passes are never multiplied as if independent.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

#: Share of the first pass in the whole effect of many equal passes; published 0.70-0.85 (Virginia Coop.
#: Ext. BSE-374: 70-80 %; Univ. Wisconsin/Nebraska extension: 80-85 %).
FIRST_PASS_SHARE = 0.75


def chance(ratio: ArrayLike, spread: ArrayLike) -> Floats:
    """Return the chance that stress exceeds strength: the normal distribution function of ln(ratio) / spread.

    Parameters
    ----------
    ratio : highest stress ratio (-); 0 gives 0
    spread : standard deviation of ln strength with the model's own error (-)

    Examples
    --------
    >>> float(chance(1.0, 0.5))
    0.5
    """
    r = np.asarray(ratio, dtype=np.float64)
    log_ratio = np.log(np.maximum(r, 1e-300))
    return np.where(r > 0.0, ndtr(log_ratio / np.asarray(spread, dtype=np.float64)), 0.0)


def compaction_step(index: ArrayLike, ratio: ArrayLike, share: float = FIRST_PASS_SHARE) -> Floats:
    """Return the compaction index M after one event: M + share (ln r - M) where ln r > M, else M unchanged.

    Parameters
    ----------
    index : M before the event (-), 0 on untouched or newly tilled soil
    ratio : stress ratio of the event (-)
    share : share of the first pass (0..1)

    Examples
    --------
    >>> float(compaction_step(0.0, 0.9))
    0.0
    """
    M = np.asarray(index, dtype=np.float64)
    target = np.log(np.maximum(np.asarray(ratio, dtype=np.float64), 1e-300))
    return np.where(target > M, M + share * (target - M), M)


def compaction_of_equal_passes(ratio: ArrayLike, passes: ArrayLike, share: float = FIRST_PASS_SHARE) -> Floats:
    """Return the compaction index M of equal passes on untouched soil: ln r (1 - (1 - share)^passes), 0
    where r <= 1.

    Closed form of repeated `compaction_step`. exp(M) is the gain in strength; below tillage depth on wet
    soil a lower estimate.
    """
    target = np.maximum(np.log(np.maximum(np.asarray(ratio, dtype=np.float64), 1e-300)), 0.0)
    return np.asarray(target * (1.0 - (1.0 - share) ** np.asarray(passes, dtype=np.float64)))
