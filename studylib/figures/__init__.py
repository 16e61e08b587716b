"""Every figure of the study, in one look.

`style` holds the look and saves files; each other module is one theme. A figure function takes
what it shows and an optional `size`, and returns a matplotlib Figure; it computes no statistics.
"""

from studylib.figures.attribution import excess_figure, story_figure
from studylib.figures.boards import (
    boards_figure,
    spectra_figure,
    still_figure,
)
from studylib.figures.curves import (
    curves_figure,
    predicted_figure,
    split_figure,
)
from studylib.figures.effects import (
    effects_figure,
)
from studylib.figures.listening import heard_figure
from studylib.figures.spread import drift_figure, variance_figure
from studylib.figures.style import save_sizes
from studylib.figures.takes import tap_figure

__all__ = [
    "boards_figure",
    "curves_figure",
    "drift_figure",
    "effects_figure",
    "excess_figure",
    "heard_figure",
    "predicted_figure",
    "save_sizes",
    "spectra_figure",
    "split_figure",
    "still_figure",
    "story_figure",
    "tap_figure",
    "variance_figure",
]
