"""Many claims at once: adjusted p-values.

Sources: Holm, *Scand. J. Statist.* 6:65-70, 1979; Benjamini & Hochberg, *JRSS B* 57:289-300, 1995.
"""

from __future__ import annotations

import numpy as np

from harness.analysis.estimate import Array
from harness.analysis.settings import Multiplicity


def adjusted(p_values: Array, method: Multiplicity) -> Array:
    """Adjusted p-values, shape (n,).

    A missing p-value (NaN) makes no claim: it stays NaN and is not counted.
    """
    result = p_values.astype(np.float64).copy()
    present = np.flatnonzero(~np.isnan(result))
    if method == "none" or present.size < 2:
        return result
    order = present[np.argsort(result[present], kind="stable")]
    n, p = order.size, result[order]
    rank = np.arange(1, n + 1)
    if method == "holm":
        stepped = np.maximum.accumulate(p * (n - rank + 1))
    else:
        stepped = np.minimum.accumulate((p * n / rank)[::-1])[::-1]
    result[order] = np.minimum(stepped, 1.0)
    return result
