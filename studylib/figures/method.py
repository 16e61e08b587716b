"""Two pictures for the walk through the method: a recording, and what is fitted to it.

Conventions: the look of `figures.style`; nothing is computed here that decides. Noise is shown as
the level that it alone would reach in 1 % of lines, for a line above it is called present.

Functions: `wave_figure`, `lines_figure`.
"""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studylib import codes, recordings, sheets
from studylib.figures.style import BLUE, PALE, VERMILION, dress, panelled, settle, styled
from studylib.signal.tone import presence_factor
from studylib.words import say

SHOWN_S = 0.05  # of a wave: some periods that can be seen


@styled
def wave_figure(
    study: sheets.Study, take: sheets.Take, *, size: tuple[float, float] | None = None
) -> Figure:
    """A take from its start to its end, and some of its periods.

    Parameters
    ----------
    study : whose response channel is shown.  take : one of its takes.
    size : width and height in inches; None for the page's.
    """
    path = study.path_of(take)
    info = recordings.probe(path)
    channel = study.settings.channels.response - 1
    x = recordings.read_window(path, start=0, frames=info.frames)[channel]
    time = np.arange(x.size) / info.rate_hz
    figure, ((whole,), (close,)) = panelled(size, 4.2, 2)
    near = (time >= time[-1] / 2) & (time < time[-1] / 2 + SHOWN_S)
    for axes, part in ((whole, slice(None)), (close, near)):
        axes.plot(time[part], x[part], color=BLUE, linewidth=0.6 if axes is whole else 1.4)
        dress(axes, grid="y", xlabel=say("method.time"), ylabel=say("method.sound"))
    whole.axvspan(time[near][0], time[near][-1], color=PALE, zorder=0)
    return settle(figure, codes.note("method.wave_title", take=take.take))


@styled
def lines_figure(lines: pd.DataFrame, *, size: tuple[float, float] | None = None) -> Figure:
    """The lines fitted to one take, and the noise that each has to stand out of.

    Parameters
    ----------
    lines : one row a harmonic, as in the table `harmonics`.
    size : width and height in inches; None for the page's.
    """
    figure, ((axes,),) = panelled(size, 3.6)
    level = 20 * np.log10(np.hypot(lines["response_re"], lines["response_im"]))
    noise = 20 * np.log10(lines["response_u"] * presence_factor(int(lines["dof"].max())))
    at, offset = lines["harmonic"], lines["offset_db"]
    bottom = float((noise + offset).min()) - 15.0
    axes.vlines(at, bottom, level + offset, color=BLUE, linewidth=3, label=say("method.fitted"))
    axes.plot(at, noise + offset, "_", color=VERMILION, markersize=14, markeredgewidth=2,
              label=say("method.noise"))  # fmt: skip
    dress(
        axes, grid="y", xlabel=say("method.harmonic"), xticks=at, ylim=(bottom, None),
        ylabel=say("method.level", unit=lines["unit"].iloc[0]),
    )  # fmt: skip
    axes.legend()
    return settle(
        figure,
        codes.note("figures_headlines.lines", present=int((level > noise).sum()), of=len(lines)),
    )
