"""Random generators by name: the same seed and words give the same numbers on any machine."""

from __future__ import annotations

import hashlib

import numpy as np


def generator(seed: int, *words: str | int) -> np.random.Generator:
    """A generator of its own for these words; generators of different words are independent."""
    digest = hashlib.sha256(repr((seed, *words)).encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "little")))
