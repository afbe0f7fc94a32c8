"""Made campaigns of known truth, for the study of the sentences: repeats as the analysis gets them.

Everything is drawn here and not by the rig: the study asks what becomes of the claims when runs are not as
the formulas assume. A campaign is a table of cells; a condition says how its repeats are drawn. All noise is
on the logarithm, with mean 0 whatever its shape, so the true ratio of each title is exactly what was put in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.analysis.repeats import CellRepeats

REFERENCE = "factory"
LOW = "one_percent_low_fps"


@dataclass(frozen=True)
class Made:
    """How the repeats of a campaign come out.

    Attributes:
        sds_pct: Scatter of a run of each title; of the 1 % low twice as much, correlated by a half.
        repeats: Of each cell.
        profiles: Profiles besides the reference.
        shape: Of the noise: normal, heavy (Student's t, 3 degrees of freedom) or skew (a long slow tail).
        tuned_shape: The same of the compared profiles only.
        tuned_scatter: Scatter of the compared profiles, in that of the reference.
        slow_share, slow_pct: Runs of the compared profiles that are slow, and by how much.
        missing: ``none``, ``random`` (a fifth of all runs), ``one-pair`` (the last title keeps one repeat
            under each compared profile), ``two-pairs``, ``fast`` (half of the faster half of the tuned runs).
        block_sd_pct: Scatter that the runs of one block share.
        paired: Blocks are known.
        adds: How repeats are added: ``none``, ``adaptive`` (3 to 10, until average FPS is decided in a title)
            or ``once`` (undecided over all titles: by two where it was close, else tripled).
        whole_degrees: The core's temperature in whole degrees is what is compared, instead of frame rates.
    """

    sds_pct: tuple[float, ...] = (0.5, 1.0, 2.0)
    repeats: int = 5
    profiles: int = 1
    shape: str = "normal"
    tuned_shape: str = ""
    tuned_scatter: float = 1.0
    slow_share: float = 0.0
    slow_pct: float = 12.0
    missing: str = "none"
    block_sd_pct: float = 1.0
    paired: bool = True
    adds: str = "none"
    whole_degrees: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """The compared profiles."""
        return tuple(f"tune-{i}" for i in range(1, self.profiles + 1))


def noise(random: np.random.Generator, shape: str, size: tuple[int, ...]) -> np.ndarray:
    """Noise of mean 0 and standard deviation 1 (that of Student's t with 3 degrees exists)."""
    if shape == "heavy":
        return random.standard_t(3, size) / np.sqrt(3)
    if shape == "skew":
        return 1 - random.exponential(1, size)
    return random.normal(0, 1, size)


def campaign(made: Made, random: np.random.Generator, effect: float, repeats: int | None = None) -> dict:
    """Cells of one campaign; ``effect`` is the true log ratio of every compared profile in every title."""
    if made.whole_degrees:
        return _temperatures(made, random, effect)
    n = repeats or made.repeats
    cells = {}
    for title, sd_pct in enumerate(made.sds_pct):
        shared = random.normal(0, made.block_sd_pct / 100, n)
        for profile in (REFERENCE, *made.names):
            tuned = profile != REFERENCE
            shape = (made.tuned_shape if tuned else "") or made.shape
            sd = sd_pct / 100 * (made.tuned_scatter if tuned else 1)
            run = noise(random, shape, (2, n))
            fps = shared + sd * run[0] + effect * tuned
            low = shared + 2 * sd * (run[0] + np.sqrt(3) * run[1]) / 2 + effect * tuned
            if tuned and made.slow_share:
                slow = random.random(n) < made.slow_share
                by = np.log1p(-made.slow_pct / 100)
                fps, low = (values + by * (slow - made.slow_share) for values in (fps, low))
            kept = _kept(made, random, tuned, title == len(made.sds_pct) - 1, fps, n)
            cells[f"title-{title}", "default", profile] = CellRepeats(
                f"title-{title}.default.{profile}",
                tuple(("c", int(block) if made.paired else -1) for block in np.flatnonzero(kept)),
                {"average_fps": 100 * np.exp(fps[kept]), LOW: 70 * np.exp(low[kept])},
                tuple(int(index) + 1 for index in np.flatnonzero(kept)),
            )
    return {key: cell for key, cell in cells.items() if cell.blocks}


def first_repeats(cells: dict, counts: dict[str, int]) -> dict:
    """The campaign as it stands when each title has had so many repeats."""
    return {
        key: CellRepeats(
            cell.cell_id,
            cell.blocks[: counts[key[0]]],
            {name: values[: counts[key[0]]] for name, values in cell.values.items()},
            cell.indices[: counts[key[0]]],
        )
        for key, cell in cells.items()
    }


def _kept(
    made: Made, random: np.random.Generator, tuned: bool, last: bool, fps: np.ndarray, n: int
) -> np.ndarray:
    kept = np.ones(n, bool)
    if made.missing == "random":
        kept = random.random(n) >= 0.2
    elif made.missing in ("one-pair", "two-pairs") and tuned and last:
        kept[1 if made.missing == "one-pair" else 2 :] = False
    elif made.missing == "fast" and tuned:
        kept = ~((fps > np.median(fps)) & (random.random(n) < 0.5))
    return kept


def _temperatures(made: Made, random: np.random.Generator, effect: float) -> dict:
    """Core temperatures in whole degrees, as the sensor gives them: each run one reading."""
    cells = {}
    for title, sd_k in enumerate(made.sds_pct):
        level = random.uniform(60, 80)
        for profile in (REFERENCE, *made.names):
            values = level + effect * (profile != REFERENCE) + random.normal(0, sd_k, made.repeats)
            cells[f"title-{title}", "default", profile] = CellRepeats(
                f"title-{title}.default.{profile}",
                tuple(("c", block) for block in range(made.repeats)),
                {"end_core_temp_c": np.round(values)},
            )
    return cells
