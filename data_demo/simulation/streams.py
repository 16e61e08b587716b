"""One independent, reproducible random stream for every board, mount and take.

The name of a thing and the study's seed decide its stream. One take can therefore be rebuilt alone
and comes out the same as in the whole study.

Contents: SEED, stream, decibel.
"""

import hashlib

import numpy as np

SEED = 20260329


def stream(name: str, *, seed: int = SEED) -> np.random.Generator:
    """Generator that belongs to ``name`` alone (PCG64, seeded by a hash of the name)."""
    digest = hashlib.sha256(name.encode("utf-8")).digest()
    words = [int.from_bytes(digest[i : i + 4], "big") for i in range(0, 16, 4)]
    return np.random.default_rng(np.random.SeedSequence([seed, *words]))


def decibel(ratio: np.ndarray | complex | float) -> np.ndarray:
    """20 lg of the size of an amplitude ratio."""
    return 20 * np.log10(np.abs(ratio))
