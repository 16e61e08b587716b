"""The page of the truth bench: what was promised, cell by cell, with a figure.

Functions: `results_table`, `results_from`, `rates_figure`, `page`.
"""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studylib.figures.style import BLUE, GREY, ORANGE, PALE, new_figure, settle, styled
from tests.benchmarks.truth.against import COMPONENTS, ERRORS, Finding
from tests.benchmarks.truth.cells import F_POWER, Cell
from tests.benchmarks.truth.judge import Counts

RATES = (
    "any",
    "family",
    "pooled",
    "exact F",
    "mixed model",
    "permutation",
    "covered",
    "same",
)
WORDS = {
    "any": "false alarms",
    "family": "of 3 features",
    "pooled": "one pooled spread",
    "exact F": "F of boards' means",
    "mixed model": "mixed model",
    "permutation": "permuted boards",
    "covered": "intervals hold",
    "same": "same, at the limit",
}
GROUPS = {
    "full": "Normal boards: at most 6 %, and at least 3 %",
    "holds": "At most 6 %",
    "named": "No analysis can hold these: the report names the fault in the design",
    "power": "A true difference that the F test sees in 80 % of studies",
    "same": "A true difference as large as the limit",
}


def results_table(results: list[tuple[Cell, Counts]]) -> pd.DataFrame:
    """cell, promise, what, hits, trials, rate, error (Monte Carlo): every count that was made."""
    rows = [
        (cell.name, cell.promise, name, counts.hits[name], counts.trials[name],
         round(counts.rate(name), 5), round(counts.error(name), 5))
        for cell, counts in results
        for name in (*RATES, *COMPONENTS)
        if counts.trials.get(name)
    ]  # fmt: skip
    columns = ["cell", "promise", "what", "hits", "trials", "rate", "error"]
    return pd.DataFrame(rows, columns=columns)


def results_from(table: pd.DataFrame, cells: Sequence[Cell]) -> list[tuple[Cell, Counts]]:
    """The results that a table holds, for the cells that it names."""
    by_cell = {name: own for name, own in table.groupby("cell", sort=False)}
    return [
        (cell, Counts(dict(zip(own["what"], own["hits"], strict=True)),
                      dict(zip(own["what"], own["trials"], strict=True))))
        for cell in cells
        if (own := by_cell.get(cell.name)) is not None
    ]  # fmt: skip


@styled
def rates_figure(results: list[tuple[Cell, Counts]]) -> Figure:
    """False alarms of every cell without an effect, with their Monte Carlo errors."""
    shown = [(cell, counts) for cell, counts in results if not cell.effect]
    shown.sort(key=lambda pair: list(GROUPS).index(pair[0].promise))
    figure = new_figure(None, 1.2 + 0.24 * len(shown))
    axes = figure.subplots()
    axes.axvspan(0.04, 0.06, color=PALE, linewidth=0, zorder=0)
    place = np.arange(len(shown))
    for name, marker, colour, label in (
        ("pooled", "x", ORANGE, "one pooled spread"),
        ("any", "o", BLUE, "the report's procedure"),
    ):
        rate = np.array([counts.rate(name) for _, counts in shown])
        error = ERRORS * np.array([counts.error(name) for _, counts in shown])
        axes.errorbar(rate, place, xerr=error if name == "any" else None, fmt=marker,
                      color=colour, markersize=5, linewidth=1.2, label=label)  # fmt: skip
    axes.set_yticks(place, [cell.name for cell, _ in shown], fontsize=7)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xscale("log")
    ticks = [0.005, 0.01, 0.02, 0.04, 0.06, 0.1, 0.2, 0.5, 1.0]
    axes.set_xticks(ticks, [f"{100 * t:g}" for t in ticks])
    axes.minorticks_off()
    axes.set_xlabel("studies without any difference between woods in which one is declared (%)")
    axes.grid(axis="x")
    axes.legend(loc="upper right")
    figure.supxlabel(
        f"grey band: 4 to 6 %; bars: {ERRORS:g} Monte Carlo errors", fontsize=8.5, color=GREY
    )
    return settle(figure, "How often a difference that is not there is declared, by design")


def page(results: list[tuple[Cell, Counts]], held: list[Finding], *, studies: int) -> str:
    """The whole page as HTML that stands alone."""
    failed = [finding for finding in held if not finding.holds]
    body = [
        "<h1>How true the sentences are</h1>",
        "<p>A study says that two woods differ, or that they are the same. Here such studies are "
        "simulated with a known truth, as features tables, and judged by the functions that the "
        f"report calls: {len(results)} designs, {studies:,} studies each. Boards of a wood are "
        "drawn from the stated distribution; takes and mounts add their own spread (0.5 dB "
        "each). Where nothing else is said the woods do not differ at all, so every declared "
        "difference is a false alarm; the report works with 5 %.</p>",
        "<p>Skewed: a gamma distribution with skewness 1; strongly skewed: exponential, with "
        "skewness 2; heavy-tailed: Student's t with 5 degrees of freedom. The numbers behind a "
        "design are the boards of each wood.</p>",
        "<p>A limit counts as held when the rate lies within three Monte Carlo errors of it.</p>",
        f"<p><strong>{len(held) - len(failed)} of {len(held)} promises held.</strong></p>",
    ]
    if failed:
        body.append("<h2>What does not hold</h2>" + _findings(failed))
    body.append("<h2>False alarms at a glance</h2>" + _picture(rates_figure(results)))
    body.append(
        "<p>The report compares each pair by Welch's t, and declares it only when every way in "
        "which woods could be alike, that pair included, is rejected. What it declares when some "
        "woods do differ is measured by another bench (strong_truth). The others are run on the "
        "same studies: "
        "permuted boards on a fifth of them, and not where batches are a block.</p>"
    )
    for promise, words in GROUPS.items():
        cells = [(cell, counts) for cell, counts in results if cell.promise == promise]
        if cells:
            body.append(f"<h2>{html.escape(words)}</h2>{_rates(cells)}")
    body.append("<h2>Do the intervals of the components hold their truth?</h2>")
    body.append(
        "<p>Part of the studies in which the 95 % interval held the true variance. The interval "
        "supposes normal boards; skewed and heavy-tailed ones are published as they are.</p>"
    )
    body.append(_components(results))
    body.append("<p>All counts: truth.csv, beside this page.</p>")
    style = (
        "body{font-family:sans-serif;max-width:62em;margin:2em auto;padding:0 1em;line-height:1.45}"
        "table{border-collapse:collapse;font-size:.85em}td,th{padding:.2em .6em;text-align:right;"
        "border-bottom:1px solid #ddd}td:first-child,th:first-child{text-align:left}"
        "img{max-width:100%}"
    )
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        f"<title>How true the sentences are</title><style>{style}</style></head><body>"
        + "\n".join(body)
        + "</body></html>\n"
    )


def _table(head: list[str], rows: list[list[str]]) -> str:
    cells = "".join(f"<th>{html.escape(word)}</th>" for word in head)
    lines = "".join(
        "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{cells}</tr></thead><tbody>{lines}</tbody></table>"


def _findings(found: list[Finding]) -> str:
    return _table(
        ["design", "what", "found", "limit"],
        [
            [f.cell, f.what, f"{100 * f.rate:.1f} %",
             f"{'at most' if f.most else 'at least'} {100 * f.limit:g} %"]
            for f in found
        ],
    )  # fmt: skip


def _rates(cells: list[tuple[Cell, Counts]]) -> str:
    used = [n for n in RATES if any(counts.trials.get(n) for _, counts in cells)]
    words = dict(WORDS)
    if cells[0][0].effect:
        words["any"] = "declared"
        words = {n: w for n, w in words.items()}
    rows = [[cell.name, *(_percent(counts, n) for n in used)] for cell, counts in cells]
    head = ["design", *(words[n] for n in used)]
    note = ""
    if cells[0][0].effect:
        seen = f"The F test's power is {100 * F_POWER:g} %. "
        note = (
            f"<p>{seen if cells[0][0].promise == 'power' else ''}The limit is set to the true "
            "difference of the first pair.</p>"
        )
    return note + _table(head, rows)


def _components(results) -> str:
    rows = [
        [cell.name, *(_percent(counts, level) for level in COMPONENTS)]
        for cell, counts in results
        if any(counts.trials.get(level) for level in COMPONENTS) and not cell.effect
    ]
    return _table(["design", *COMPONENTS], rows)


def _percent(counts: Counts, name: str) -> str:
    if not counts.trials.get(name):
        return "–"
    return f"{100 * counts.rate(name):.1f} ± {100 * counts.error(name):.1f}"


def _picture(figure: Figure) -> str:
    room = io.BytesIO()
    figure.savefig(room, format="png", dpi=90, bbox_inches="tight")
    plt.close(figure)
    data = base64.b64encode(room.getvalue()).decode("ascii")
    return f'<img alt="False alarms of every design" src="data:image/png;base64,{data}">'
