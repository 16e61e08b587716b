"""What this very design can do: error rates and power, simulated with the study's own spreads.

The boards' means of every wood are drawn from normal distributions with the spreads that this
study found, on the study's own design (numbers, batches as a block), and go through the same steps
as the study itself (`pairs`, first step of Holm over the primary features). All woods are alike in
truth, so each declared difference is a false alarm; shifted by a true difference the same draws
give the power, and inside the limit the chance of `same`. The seed is fixed, so the same study
prints the same numbers.

The spreads are estimates from few boards, so the power is one too.

Function: `own_design`; `OwnDesign`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studylib.codes.comparison import Method
from studylib.stats.blocks import WoodModel
from studylib.stats.pairs import all_pairs, method_for

RUNS = 1000
POWER = 0.80


@dataclass(frozen=True)
class OwnDesign:
    """Probabilities of one feature; NaN where the question does not arise.

    alike : any pair is declared, woods alike, all spreading as the pooled spread says.
    own_spreads : the same, each wood with its own spread.
    at_limit : each pair: a true difference as large as the limit is declared (own spreads).
    same : each pair: `same` is said of woods that are alike (own spreads).
    seen : each pair: the smallest true difference that is declared in 80 % of studies, on the scale
        of analysis.
    runs : simulated studies.
    """

    alike: float
    own_spreads: float
    at_limit: dict[tuple[int, int], float]
    same: dict[tuple[int, int], float]
    seen: dict[tuple[int, int], float]
    runs: int

    def error(self, rate: float) -> float:
        """Monte Carlo standard error of a rate found here."""
        return float(np.sqrt(max(rate * (1 - rate), 1 / self.runs) / self.runs))


def own_design(
    model: WoodModel,
    y: np.ndarray,
    *,
    limit: float | None,
    confidence: float,
    primary: int,
    same_possible: bool,
    runs: int = RUNS,
) -> OwnDesign | None:
    """Simulate the design of one feature; None where no pair can be compared.

    Parameters
    ----------
    model : design of the units; y : their means, shape (units,).
    limit : on the scale of analysis, or None.
    primary : number of primary features that are compared.
    same_possible : the bench told the changed specimen from the reference.
    """
    if model.k < 2 or model.df < 1 or not model.pooled_variance(y) > 0:
        return None
    noise = np.random.default_rng(172).standard_normal((runs, model.group.size))
    pooled = float(model.pooled_variance(y))
    own = np.full(model.k, pooled)
    if method_for(model) != Method.TUKEY_KRAMER:
        own = np.maximum(model.wood_variances(y), 1e-6 * pooled)
    alpha = 1 - confidence
    alike = _Draws(model, noise * np.sqrt(pooled), alpha)
    draws = _Draws(model, noise * np.sqrt(own[model.group]), alpha)
    strict = draws if primary < 2 else _Draws(model, draws.y, alpha / primary)
    at_limit, same, seen = {}, {}, {}
    for pair in draws.pairs:
        seen[pair] = strict.smallest_seen(pair)
        at_limit[pair] = strict.declared(pair, limit) if limit else float("nan")
        known = bool(limit) and same_possible
        same[pair] = strict.called_same(pair, limit) if known else float("nan")
    return OwnDesign(alike.any_declared(), draws.any_declared(), at_limit, same, seen, runs)


class _Draws:
    """Simulated studies without any difference: noise and critical half-width of every pair."""

    def __init__(self, model: WoodModel, y: np.ndarray, alpha: float):
        self.y = y
        found = all_pairs(model, y, confidence=1 - alpha)
        self.pairs = found.woods
        self._noise = dict(zip(found.woods, found.difference.T, strict=True))
        self._half = dict(zip(found.woods, (found.high - found.difference).T, strict=True))
        self._half90 = dict(zip(found.woods, (found.high90 - found.difference).T, strict=True))

    def any_declared(self) -> float:
        found = [np.abs(self._noise[p]) > self._half[p] for p in self.pairs]
        return float(np.any(found, axis=0).mean())

    def declared(self, pair: tuple[int, int], difference: float) -> float:
        return float((np.abs(self._noise[pair] + difference) > self._half[pair]).mean())

    def called_same(self, pair: tuple[int, int], limit: float) -> float:
        quiet = np.abs(self._noise[pair]) <= self._half[pair]
        return float((quiet & (np.abs(self._noise[pair]) + self._half90[pair] < limit)).mean())

    def smallest_seen(self, pair: tuple[int, int]) -> float:
        """The difference at which 80 % of the draws are declared: a quantile of half - noise.

        Declarations of the wrong sign are left out; at this power there are hardly any.
        """
        return float(np.quantile(self._half[pair] - self._noise[pair], POWER))
