"""Mixed models by statsmodels: a second opinion that pools the scatter of all titles.

Needs the extra ``analysis``. Model, on the log scale: profile and title as fixed effects, block within title
and repeat (the residual) as random ones; for similar titles, the profile's effect varies at random
between titles as well. Source: Laird & Ware, *Biometrics* 38:963-974, 1982 (REML).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from harness.analysis.estimate import Estimate
from harness.errors import PluginError

Scope = Literal["these titles", "similar titles"]
SCOPES: tuple[Scope, ...] = ("these titles", "similar titles")


def mixed_estimate(table: pd.DataFrame, scope: Scope) -> Estimate | None:
    """Effect of a profile against the reference.

    Args:
        table: Columns ``y`` (on the scale of the analysis), ``tuned`` (1.0 for the profile, 0.0 for the
            reference), ``title`` (title and setting) and ``block`` (unique over the table).
        scope: Whether the titles stand for themselves or for similar titles.
    Returns:
        None where the model can't be fitted (too few titles or repeats).
    Raises:
        PluginError: statsmodels is not installed.
    """
    try:
        from statsmodels.regression.mixed_linear_model import MixedLM
        from statsmodels.tools.sm_exceptions import ConvergenceWarning
    except ImportError as error:
        raise PluginError(
            "the mixed model needs statsmodels; install it with: pip install 'levelrig[analysis]'"
        ) from error
    titles = _codes(table["title"].tolist())
    count = int(titles.max()) + 1
    blocks = table["block"].nunique()
    if blocks - count < 1 or (scope == "similar titles" and count < 3):
        return None
    y = table["y"].to_numpy(np.float64)
    tuned = table["tuned"].to_numpy(np.float64)
    fixed = np.column_stack([np.eye(count)[titles], tuned])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        warnings.simplefilter("ignore", UserWarning)
        try:
            if scope == "these titles":
                model = MixedLM(y, fixed, groups=table["block"].to_numpy())
                df = float(blocks - count)
            else:
                model = MixedLM(
                    y, fixed, groups=titles, exog_re=tuned[:, None], exog_vc=_block_components(table, titles)
                )
                df = float(count - 1)
            fit = model.fit(reml=True, method=["bfgs", "powell"])
        except (np.linalg.LinAlgError, ValueError):
            return None
    se = float(fit.bse_fe[-1])
    if not math.isfinite(se):
        return None
    return Estimate(float(fit.fe_params[-1]), se, df, blocks, se * math.sqrt(blocks))


def _codes(values: Sequence[str]) -> np.ndarray:
    return np.unique(values, return_inverse=True)[1]


def _block_components(table: pd.DataFrame, titles: np.ndarray) -> object:
    from statsmodels.regression.mixed_linear_model import VCSpec

    blocks = np.asarray(table["block"])
    matrices, names = [], []
    for title in range(int(titles.max()) + 1):
        rows = blocks[titles == title]
        own = np.unique(rows)
        matrices.append((rows[:, None] == own[None, :]).astype(np.float64))
        names.append([str(block) for block in own])
    return VCSpec(["block"], [names], [matrices])
