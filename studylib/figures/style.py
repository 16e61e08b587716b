"""One look for every figure.

What it does: colours and markers of the woods, text sizes, page and video sizes, the headline,
text that is safe to draw, the logarithmic frequency axis, and saving.

Conventions: a figure is made inside `styled`, comes from `panelled` or `new_figure`, is settled
under a headline that says what is seen, and is returned open so that a notebook can show it; `save`
and `save_sizes` close what they have written.
Sizes are in inches. The colours are those of Okabe and Ito (Color Universal Design, 2008); every
wood has a marker as well, so that nothing hangs on colour alone.
"""

import functools
import io
import textwrap
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from weakref import WeakKeyDictionary

import matplotlib.pyplot as plt
import numpy as np
from matplotlib import font_manager, ticker
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from studylib import register, words
from studylib.words.text import note_name

BLUE, VERMILION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
ORANGE, SKY, BLACK, YELLOW = "#E69F00", "#56B4E9", "#000000", "#F0E442"
COLOURS = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY, BLACK, YELLOW)
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "p")
GREY, PALE = "#666666", "#E8E8E8"
# Where a legend stands outside the panels, as matplotlib names it.
ABOVE, BELOW, ABOVE_RIGHT = (
    f"outside {place}" for place in ("upper center", "lower center", "upper right")
)

FONT = "DejaVu Sans"
PAGE_WIDTH = 9.6
PAGE_DPI = 110
HEADLINE = 11.5  # points, bold
LETTERS, LINE = 10.0, 0.21  # of a headline: letters an inch, inches a line
TICK = 0.46  # inches for the label of a frequency
FRAME, FRAME_DPI = (9.6, 5.4), 200  # 1920 x 1080 pixels
# A frame's rim stays empty, 3.5 % on each side: players crop or cover it (common practice).
VIDEO_SIZE = (FRAME[0] * 0.93, FRAME[1] * 0.93)

STYLE = {
    "font.family": [FONT],
    "font.size": 10,
    "axes.titlesize": 11,
    "axes.titlelocation": "left",
    "axes.titley": 1.0,  # or every drawing looks for its place anew
    "axes.labelsize": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "grid.color": "#D9D9D9",
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 9,
    "xtick.labelsize": 9,
    "ytick.labelsize": 9,
    "figure.facecolor": "white",
    "figure.dpi": PAGE_DPI,
    "savefig.dpi": "figure",
    "svg.hashsalt": "studylib",
    "svg.fonttype": "path",
    "text.usetex": False,
    "path.simplify": True,
}


@dataclass(frozen=True)
class Look:
    """How one wood is drawn: `colour` (hex) and `marker` (matplotlib's letter)."""

    colour: str
    marker: str


def looks(woods: Iterable[str]) -> dict[str, Look]:
    """A colour and a marker for each wood, by its place in the study.

    After eight woods the colours start again with the markers moved on by one, so that 64
    woods stay distinct.
    """
    return {wood: Look(COLOURS[i % 8], MARKERS[(i + i // 8) % 8]) for i, wood in enumerate(woods)}


def styled(function: Callable[..., Figure]) -> Callable[..., Figure]:
    """Run a figure function under the one look, whatever the caller's settings are."""

    @functools.wraps(function)
    def inner(*args, **kwargs):
        with plt.style.context(STYLE, after_reset=True):
            return function(*args, **kwargs)

    return inner


def new_figure(size: tuple[float, float] | None, page_height: float, **options) -> Figure:
    """An empty figure: of `size` when given, else of the page's width and `page_height`, with a
    headline's line above; `options` go to `pyplot.figure`."""
    return plt.figure(figsize=size or (PAGE_WIDTH, page_height + LINE), **options)


def panelled(
    size: tuple[float, float] | None, page_height: float, *grid: int, shown: int = 0, **options
) -> tuple[Figure, np.ndarray]:
    """A figure with a grid of panels: lines and columns, one of each unless given.

    shown : so many of them, the others stay empty; 0 for all.

    Returns
    -------
    (figure, axes of shape (lines, columns)); `options` go to `Figure.subplots`.
    """
    figure = new_figure(size, page_height)
    panels = figure.subplots(*grid, squeeze=False, **options)
    for axes in panels.flat[shown or panels.size :]:
        axes.set_visible(False)
    return figure, panels


def dress(
    axes: Axes, *, grid: str = "", title: str = "", fontsize: float = 9.5, bare: str = "", **more
) -> None:
    """What stands around a panel.

    grid : axis with lines across the panel.  title : of `fontsize` points.  bare : axis without
    tick marks.  more : whatever `Axes.set` takes.
    """
    axes.set(**more)
    if grid:
        axes.grid(axis=grid)
    axes.set_title(title, fontsize=fontsize)
    axes.yaxis.set_offset_position("right")  # a power of ten, which else would run into the title
    if bare:
        axes.tick_params(axis=bare, length=0)


def settle(figure: Figure, headline: str, note: str = "") -> Figure:
    """Place everything once, so that nothing overlaps; later drawings keep these places.

    headline : a note of what is seen, and in which direction.  note : small print below all panels.
    """
    width, height = figure.get_size_inches()
    text = wrapped(words.say(headline), int(LETTERS * width))
    top = 1.0 - (LINE * (1 + text.count("\n")) + 0.06) / height
    title = figure.suptitle(
        text, x=0.08 / width, y=1.0 - 0.05 / height, ha="left", va="top", fontsize=HEADLINE,
        fontweight="bold", linespacing=1.15, in_layout=False,
    )  # fmt: skip
    if note:
        figure.supxlabel(note, fontsize=8.5, color=GREY)
    for axis in (axis for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)):
        if not axis.get_label_text():  # or every drawing looks for a place for nothing
            axis.set_label_coords(0.0, 0.0)
    ConstrainedLayoutEngine(wspace=0.04, rect=(0.0, 0.0, 1.0, top)).execute(figure)
    for legend in figure.legends:  # now, because the layout leaves no room for one that has a place
        legend.set_bbox_to_anchor((0.0, 0.0, 1.0, top), transform=figure.transFigure)
    title.set_in_layout(True)  # or a figure that is saved without its rim would lose it
    return figure


def alt_text(figure: Figure) -> str:
    """What a figure shows, for whoever cannot see it: its headline, then the titles of its panels,
    its axes and keys, each once."""
    panels = [axes for axes in figure.axes if axes.get_visible()]
    keys = [*figure.legends, *(key for axes in panels if (key := axes.get_legend()))]
    titles = [axes.get_title(loc) for axes in panels for loc in ("left", "center")]
    texts = [] if keys else [text.get_text() for axes in panels for text in axes.texts[:8]]
    seen = {
        "headline": [figure.get_suptitle()],
        "titles": titles if any(titles) else texts,
        "across": [axes.get_xlabel() for axes in panels],
        "up": [figure.get_supylabel(), *(axes.get_ylabel() for axes in panels)],
        "keys": [text.get_text() for key in keys for text in key.get_texts()],
    }
    told = {
        name: list(dict.fromkeys(" ".join(text.split()) for text in texts if text.strip()))
        for name, texts in seen.items()
    }
    return figure.get_label() or words.say("figures_style.alt", **told).replace(r"\$", "$")


def empty_figure(message: str, size: tuple[float, float] | None) -> Figure:
    """A figure that says in a sentence why there is nothing to draw: its label too, by which a page
    knows it."""
    figure = new_figure(size, 1.0)
    figure.set_label(message)
    figure.suptitle(wrapped(message, 70, lines=4), y=0.5, va="center", fontsize=10, color=GREY)
    # Jupyter shows no picture of a figure without axes.
    figure.add_axes((0, 0, 1, 1)).set_axis_off()
    return figure


# ---------------------------------------------------------------- text


@functools.lru_cache(maxsize=1)
def _drawable() -> frozenset[int]:
    return frozenset(font_manager.get_font(font_manager.findfont(FONT)).get_charmap())


def safe(text: object) -> str:
    """Text from the sheets, made fit to draw.

    A dollar sign would start a formula, so it is escaped; a line break becomes a space; a
    letter that the font does not have becomes a square (the tables keep the letter itself).
    """
    return "".join(
        c if ord(c) in _drawable() else "\N{WHITE SQUARE}" for c in _one_line(text)
    ).replace("$", r"\$")


def wrapped(text: object, width: int, *, lines: int = 2) -> str:
    """`safe` text folded into at most `lines` lines of `width` letters.

    What does not fit is cut from the middle, because names of boards and lots differ at
    their ends.
    """
    plain = _one_line(text)
    room = width * lines
    folded = _fold(plain, width)
    while len(folded) > lines and room > 4:
        head = (room - 1) // 2
        folded = _fold(f"{plain[:head]}\N{HORIZONTAL ELLIPSIS}{plain[head + 1 - room :]}", width)
        room -= 1
    return "\n".join(safe(line) for line in folded)


def legend_label(text: object, width: int) -> str:
    """One `wrapped` line for a legend, where matplotlib would hide a name that starts with _."""
    line = wrapped(text, width, lines=1)
    return f" {line}" if line.startswith("_") else line


def _one_line(text: object) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())


def _fold(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=True) or [""]


def quantity(meaning: str, unit: str, *, width: int = 60, lines: int = 2) -> str:
    """An axis label of at most `lines` lines: what is shown, and its unit in brackets."""
    return wrapped(f"{meaning} ({unit})" if unit else meaning, width, lines=lines)


# ---------------------------------------------------------------- frequency


def starred(text: str, feature: str) -> str:
    """A feature's name or meaning, with a star where more than the board is in it."""
    return f"{text} *" if register.find(feature).cautions else text


def explained(figure: Figure, headline: str, key: str, features: Iterable[str]) -> Figure:
    """A settled figure that says how to read it, what its features are called in the tables, and
    what the starred ones carry beside the board."""
    names = list(dict.fromkeys(features))
    carried = dict.fromkeys(code for name in names for code in register.find(name).cautions)
    lines = [
        key,
        words.say("figures_effects.named", names=names),
        *[words.say("figures_effects.marked", cautions=list(carried))] * bool(carried),
    ]
    return settle(
        figure, headline,
        "\n".join(wrapped(line, int(15.0 * figure.get_figwidth()), lines=3) for line in lines),
    )  # fmt: skip


def harmonics_of(
    axes: Axes, f: float, count: int, *, low: float, high: float, width: float
) -> list[int]:
    """Dotted lines at the harmonics 1 to `count` of f from `low` to `high` Hz; their numbers."""
    numbers = [k for k in range(1, count + 1) if low <= k * f <= high]
    axes.vlines([k * f for k in numbers], 0, 1, transform=axes.get_xaxis_transform(), color=GREY,
                linewidth=width, linestyle=":", zorder=0)  # fmt: skip
    return numbers


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, *, label: bool = True) -> None:
    """Make x a logarithmic frequency axis from `low_hz` to `high_hz`.

    Ticks stand an octave apart on the note A, or more where the panel is narrow, and carry its
    frequency and its name; the small ticks between them are the next C and E.
    """
    axes.set(xscale="log", xlim=(low_hz, high_hz))
    octaves = 440.0 * 2.0 ** np.arange(-5, 7)
    shown = [f for f in octaves if low_hz <= f <= high_hz]
    wide = axes.get_position().width * axes.figure.get_figwidth()
    shown = shown[:: max(1, int(np.ceil(len(shown) * TICK / wide)))]
    between = np.outer(octaves, 2.0 ** (np.array([3, 7]) / 12)).ravel()
    axes.set_xticks(
        shown,
        [f"{f:g}\n{note_name(f)}" if f < 1000 else f"{f / 1000:g}k\n{note_name(f)}" for f in shown],
    )
    axes.xaxis.set(
        minor_locator=ticker.FixedLocator(between[(low_hz <= between) & (between <= high_hz)]),
        minor_formatter=ticker.NullFormatter(),
    )
    if label:
        axes.set_xlabel(words.say("figures_style.frequency"))


# ---------------------------------------------------------------- files


def save(figure: Figure, folder: Path | str, name: str) -> None:
    """Write `name`.png and `name`.svg into `folder` and close the figure.

    Parameters
    ----------
    figure : as a figure function returns it; it may have been shown.
    folder : must be there.
    name : of the files, without an ending.
    """
    for ending, content in files_of(lambda: figure).items():
        Path(folder, f"{name}{ending}").write_bytes(content)


def files_of(draw: Callable[[], Figure]) -> dict[str, bytes]:
    """The PNG and the SVG of a figure, by the ending of their names; the figure is closed.

    The same figure gives the same bytes on one machine: no date, and fixed names inside the
    SVG.
    """
    figure, svg = draw(), io.BytesIO()
    with plt.style.context(STYLE, after_reset=True):
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
    plt.close(figure)
    return {".png": picture(figure), ".svg": svg.getvalue()}


def save_sizes(
    draw: Callable[..., Figure],
    folder: Path | str,
    name: str,
    page: Figure | None = None,
    frame: Callable[[], bytes] | None = None,
) -> None:
    """Write a figure for the page (PNG, SVG) and one for a 16:9 video frame of 1920 x 1080.

    Parameters
    ----------
    draw : a figure function with everything but `size` filled in. It is called for each size, so
        that the video frame is laid out anew and not stretched.
    folder : must be there.
    name : of the files, without an ending.
    page : the figure at the page's size, where it was shown already: laying out costs the most.
    frame : gives what `video_frame` gives, where that was begun already.
    """
    save(page or draw(), folder, name)
    Path(folder, f"{name}_16x9.png").write_bytes(frame() if frame else video_frame(draw))


def video_frame(draw: Callable[..., Figure]) -> bytes:
    """The PNG of a figure, drawn for a 16:9 video frame of 1920 x 1080; `draw` as in
    `save_sizes`."""
    figure = draw(size=VIDEO_SIZE)
    whole = figure.bbox_inches.padded(
        *[(whole - inner) / 2 for whole, inner in zip(FRAME, VIDEO_SIZE, strict=True)]
    )
    plt.close(figure)
    return _png(figure, dpi=FRAME_DPI, bbox_inches=whole)


_PICTURES: WeakKeyDictionary[Figure, bytes] = WeakKeyDictionary()


def picture(figure: Figure) -> bytes:
    """A settled figure as PNG, drawn once: what a page shows is what is saved."""
    if figure not in _PICTURES:
        _PICTURES[figure] = _png(figure)
    return _PICTURES[figure]


def _png(figure: Figure, **options) -> bytes:
    file = io.BytesIO()
    with plt.style.context(STYLE, after_reset=True):
        # Level 3 saves a quarter of the usual 6's time, for files a tenth larger.
        figure.savefig(
            file, format="png", metadata={"Software": None}, pil_kwargs={"compress_level": 3},
            **options,
        )  # fmt: skip
    # An empty one: the old one holds every pixel as long as there is the figure.
    figure.set_canvas(type(figure.canvas)(figure))
    return file.getvalue()
