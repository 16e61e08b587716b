"""How each verdict on a harmonic is drawn: colour, marker and hatch, so that none hangs on colour.

Contents: VERDICT_LOOKS (in the order of a legend), verdict_handles; interval_bars, which end in an
arrow where an interval goes on beyond the axis.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from studylib.attribution.verdicts import AIR, BEYOND, CANNOT_TELL, DRIVER, NOISE, RECORDER
from studylib.figures.style import BLACK, GREEN, ORANGE

VERDICT_LOOKS = {
    # Greys and black, because colours stand for woods.
    DRIVER: ("#6E6E6E", "o", ""),
    BEYOND: (BLACK, "^", "xx"),
    CANNOT_TELL: ("#A8A8A8", "$?$", ".."),
    AIR: (GREEN, "D", "//"),
    RECORDER: (ORANGE, "s", "\\\\"),
    NOISE: ("#D8D8D8", "_", ""),
}


def verdict_handles(verdicts: Iterable[str], *, prefix: str = "") -> list[Line2D]:
    """Legend entries of the verdicts that occur."""
    seen = set(verdicts)
    return [
        Line2D([], [], marker=marker, color=colour, ls="none", ms=7, label=f"{prefix}{verdict}")
        for verdict, (colour, marker, _) in VERDICT_LOOKS.items()
        if verdict in seen
    ]


def interval_bars(
    axes: Axes, x, low, high, *, reach: float, colour: str, alpha: float = 1.0
) -> None:
    """Vertical bars from `low` to `high` on an axis that ends at -reach and reach."""
    x = np.atleast_1d(np.asarray(x, dtype=float))
    low = np.atleast_1d(np.asarray(low, dtype=float))
    high = np.atleast_1d(np.asarray(high, dtype=float))
    inside = np.clip([low, high], -reach, reach)
    axes.vlines(x, *inside, color=colour, linewidth=1.1, alpha=alpha)
    for beyond, edge, arrow in ((low < -reach, -reach, "v"), (high > reach, reach, "^")):
        axes.plot(
            x[beyond], np.full(beyond.sum(), 0.975 * edge), arrow, color=colour, ms=3.5, ls="none",
            alpha=alpha, mew=0,
        )  # fmt: skip
