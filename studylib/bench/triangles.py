"""The trials of a blind test by ear: which takes, in which order.

A trial is a triangle (ISO 4120): three excerpts, two of one board and one of another; which is the
odd one? Who hears nothing is right in a third of them.

Built so that it cannot flatter:
- any two boards differ, so a difference of woods is one that is heard more often than a difference
  of two boards of one wood: every pair of boards is asked, of two woods and of one;
- hidden among them are trials with takes of one board alone, of which one was drawn to be odd:
  whoever names it more often than by chance tells takes or mountings apart, or knows the key;
- the two that are alike are two takes of one board, of different mountings where there are such, so
  that neither the noise of a take nor a mounting tells them from the odd one: no recording is heard
  twice in a trial, which would be noticed. Takes of one session go together where there are such;
- each of the six orders of a kind of trial comes equally often, up to one.

Function: `draw_trials`.
Source: ISO 4120:2021 (recalled).
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import combinations, combinations_with_replacement

import numpy as np
import pandas as pd

from studylib.sheets import Take
from studylib.sheets.files import grouped
from studylib.sheets.listening import TRIAL_COLUMNS

FIRST_CODE, CODES = 1000, 9000  # four digits that tell nothing


def draw_trials(
    rng: np.random.Generator,
    takes: Mapping[str, Sequence[Take]],
    wood_of: Mapping[str, str],
    *,
    answers: int,
    nulls: int,
) -> pd.DataFrame:
    """The trials of a test, in the order in which they are heard.

    Parameters
    ----------
    takes : board -> its takes, at least two.
    wood_of : board -> its wood, of which there are two.
    answers : trials of two woods at least; each of their pairs of boards is asked once or more.
    nulls : trials with takes of one board; none where no board has three takes.

    Returns
    -------
    A row each, of `TRIAL_COLUMNS`.
    """
    pairs = combinations_with_replacement(takes, 2)
    # 0: boards of two woods, 1: two boards of one wood, 2: one board.
    kinds = grouped(((wood_of[a] == wood_of[b]) + (a == b), (a, b)) for a, b in pairs)
    kinds[2] = [(a, b) for a, b in kinds[2] if len(takes[a]) > 2]
    rows = []
    for kind, own in kinds.items():
        used: Counter = Counter()
        count = (max(answers, len(own)), len(own), nulls * bool(own))[kind]
        for order in np.concatenate([rng.permutation(6) for _ in range(count // 6 + 1)])[:count]:
            turned, odd = divmod(int(order), 3)
            pair = min(own, key=lambda p: (used[p], used[p[0]] + used[p[1]], rng.random()))
            triples = _best(*(takes[board] for board in pair[:: 1 - 2 * turned]))
            x, y, z = min(triples, key=lambda t: (sum(used[one] for one in t), rng.random()))
            used.update([pair, *pair, x, y, z])
            heard = [x, y] if rng.random() < 0.5 else [y, x]
            heard.insert(odd, z)
            woods, null = (wood_of[board] for board in pair), "yes" * (kind == 2)
            rows.append((*woods, *pair, *(one.take for one in heard), odd + 1, null))
    codes = FIRST_CODE + rng.choice(CODES, len(rows), replace=False)
    drawn = enumerate(zip(codes, rng.permutation(len(rows)), strict=True), start=1)
    return pd.DataFrame(
        [(f"t{code}", place, *rows[i]) for place, (code, i) in drawn], columns=list(TRIAL_COLUMNS)
    )


def _best(own: Sequence[Take], other: Sequence[Take]) -> list[tuple[Take, Take, Take]]:
    """Triples of two takes of a board and one of another, or of the same board, in which as little
    as can be but the board tells the last one from the others."""
    ranked = grouped(
        (
            (
                x.mount == y.mount,
                z.specimen == x.specimen and z.mount in (x.mount, y.mount),
                len({x.batch, y.batch, z.batch}),
            ),
            (x, y, z),
        )
        for x, y in combinations(own, 2)
        for z in other
        if z not in (x, y)
    )
    return ranked[min(ranked)]
