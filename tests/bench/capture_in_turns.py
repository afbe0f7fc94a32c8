"""Frames with and without capture in one run, in turns (``gl_frames odd``): by how much they differ.

    python tests/bench/capture_in_turns.py odd.txt...

Of each frame time the swap at its beginning was captured or not. Ratios of average FPS and of the 1 % low
(1000 / 99th percentile of frame time), with 90 % intervals by a bootstrap of blocks of 100 frames: an
interval inside ±0.5 % says that both are the same within that (two one-sided tests at 5 %).
"""

from __future__ import annotations

import sys

import numpy as np

BLOCK, DRAWS, SKIP = 100, 4000, 200


def main() -> None:
    rng = np.random.default_rng(1)
    for path in sys.argv[1:]:
        t_ns, captured = np.loadtxt(path, dtype=np.int64, unpack=True)
        frame_ms, kind = np.diff(t_ns)[SKIP:] / 1e6, captured[SKIP:-1]
        blocks = len(frame_ms) // BLOCK
        frame_ms, kind = frame_ms[: blocks * BLOCK], kind[: blocks * BLOCK]
        both = np.stack([frame_ms[kind == k].reshape(blocks, -1) for k in (0, 1)])

        def ratios(picked: np.ndarray, both: np.ndarray = both) -> np.ndarray:
            chosen = both[:, picked].reshape(2, -1)
            means, slow = chosen.mean(axis=1), np.percentile(chosen, 99, axis=1)
            medians = np.median(chosen, axis=1)
            return np.array([means[0] / means[1], slow[0] / slow[1], medians[0] / medians[1]])

        whole = ratios(np.arange(blocks))
        drawn = np.array([ratios(rng.integers(0, blocks, blocks)) for _ in range(DRAWS)])
        low, high = np.percentile(drawn, [5, 95], axis=0)
        print(f"{path}: {frame_ms.size} frames, {frame_ms.mean():.3f} ms on average")
        for name, *values in zip(("average FPS", "1 % low", "median"), whole, low, high, strict=True):
            shown, lowest, highest = (100 * (value - 1) for value in values)
            print(f"  {name}: with capture {shown:+.3f} % (90 %: {lowest:+.3f} to {highest:+.3f} %)")


main()
