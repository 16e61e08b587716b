"""Many pairs, many features: p values that keep the chance of any false declaration.

Within one feature no pair is declared unless every way in which woods could be alike, that pair
included, is rejected (closed testing: Marcus, Peritz and Gabriel 1976, Biometrika 63, 655):

    two woods     the pair's own p
    three         the larger of the range test over all three and the pair's own p: with one pair
                  unlike, at most one of the others can be alike (Hayter 1986, JASA 81, 1000)
    more          p in rising order times the largest number of pairs that can still be alike
                  (Shaffer 1986, JASA 81, 826): woods fall into groups, so not every number can be

Over the primary features the error is shared equally. A feature of which every pair is declared
hands its share on to the others. No declaration is false until a first one is; by then no feature
with a pair alike is wholly declared, so those t of the m features have at most 1/t of the error
each, and t such shares are the whole. With two woods this is Holm (1979).

`beyond` and `within` are not about woods being alike, and nothing follows from one pair for
another: Holm over all pairs that decide. So are the claims of a locked study.

Exploratory pairs carry q by Benjamini and Hochberg (1995).

Functions: `alike_at_most`, `shaffer`, `holm`, `over_features`, `false_discovery_rate`.
"""

from functools import lru_cache
from math import comb

import numpy as np
import pandas as pd


@lru_cache(maxsize=64)
def alike_at_most(woods: int) -> tuple[int, ...]:
    """How many pairs can be alike when 0, 1, 2, ... others are not, one number for each pair."""
    possible = _possible(woods)
    pairs = comb(woods, 2)
    return tuple(max(n for n in possible if n <= pairs - unlike) for unlike in range(pairs))


@lru_cache(maxsize=64)
def _possible(woods: int) -> frozenset[int]:
    """Every number of pairs alike that so many woods can have: a group, and the rest."""
    return (
        frozenset({0})
        if woods < 2
        else frozenset(
            comb(group, 2) + rest
            for group in range(1, woods + 1)
            for rest in _possible(woods - group)
        )
    )


def shaffer(p: np.ndarray, woods: int) -> np.ndarray:
    """Adjusted p of all pairs of so many woods, shape (..., pairs); never NaN in part."""
    return _stepped(p, np.array(alike_at_most(woods)))


def holm(p: np.ndarray, among: int | None = None) -> np.ndarray:
    """Adjusted p of shape (..., n): the i-th smallest times n + 1 - i.

    Parameters
    ----------
    among : number of tests these belong to; the others are taken to find nothing. n by default.
    """
    p = np.asarray(p, dtype=float)
    return _stepped(p, (among or p.shape[-1]) - np.arange(p.shape[-1]))


def _stepped(p: np.ndarray, factors: np.ndarray) -> np.ndarray:
    """p in rising order times the factors, never below one before it, at most 1."""
    p = np.asarray(p, dtype=float)
    order = np.argsort(p, axis=-1, kind="stable")
    stepped = np.maximum.accumulate(np.take_along_axis(p, order, -1) * factors, axis=-1)
    out = np.empty_like(p)
    np.put_along_axis(out, order, np.minimum(stepped, 1.0), -1)
    return out


def over_features(closed: np.ndarray) -> np.ndarray:
    """Adjusted p over the features that decide, from those closed within each.

    Parameters
    ----------
    closed : shape (..., features, pairs), each feature with one number at least; NaN where a pair
        is not compared.
    """
    closed = np.asarray(closed, dtype=float)
    largest = np.nanmax(closed, axis=-1)
    order = np.argsort(largest, axis=-1, kind="stable")
    largest = np.take_along_axis(largest, order, -1)
    ranked = np.take_along_axis(closed, order[..., np.newaxis], -2)
    best, reached = np.full(closed.shape, np.inf), np.zeros(closed.shape[:-2])
    features = closed.shape[-2]
    for done in range(features):
        left = features - done
        own = np.maximum(reached[..., np.newaxis, np.newaxis], left * ranked[..., done:, :])
        best[..., done:, :] = np.minimum(best[..., done:, :], own)
        reached = np.maximum(reached, left * largest[..., done])
    out = np.empty_like(closed)
    np.put_along_axis(out, order[..., np.newaxis], np.minimum(best, 1.0), -2)
    return out


def false_discovery_rate(p: pd.Series) -> pd.Series:
    """q of each p, index of `p`; NaN where p is NaN."""
    known = p.dropna().sort_values(ascending=False)
    count = len(known)
    q = np.minimum.accumulate(known.to_numpy() * (count / np.arange(count, 0.0, -1.0)))
    return pd.Series(np.minimum(q, 1.0), index=known.index, dtype=float).reindex(p.index)
