"""How each verdict on a harmonic is drawn: colour, marker and hatch, so that none hangs on colour.

Contents: VERDICT_LOOKS (in the order of a legend), verdict_handles.
"""

from __future__ import annotations

from collections.abc import Iterable

from matplotlib.lines import Line2D

from studylib.attribution.verdicts import AIR, BEYOND, CANNOT_TELL, DRIVER, NOISE, RECORDER
from studylib.figures.style import BLUE, GREEN, ORANGE, VERMILION

VERDICT_LOOKS = {
    DRIVER: (BLUE, "o", ""),
    BEYOND: (VERMILION, "^", "xx"),
    CANNOT_TELL: ("#8A8A8A", "$?$", ".."),
    AIR: (GREEN, "D", "//"),
    RECORDER: (ORANGE, "s", "\\\\"),
    NOISE: ("#C8C8C8", "_", ""),
}


def verdict_handles(verdicts: Iterable[str], *, prefix: str = "") -> list[Line2D]:
    """Legend entries of the verdicts that occur."""
    seen = set(verdicts)
    return [
        Line2D([], [], marker=marker, color=colour, ls="none", ms=7, label=f"{prefix}{verdict}")
        for verdict, (colour, marker, _) in VERDICT_LOOKS.items()
        if verdict in seen
    ]
