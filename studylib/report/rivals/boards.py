"""Rivals that lie in the boards: their sizes, their moisture, the planks they were cut from.

Source: the bending frequencies of a thin free-free beam go as thickness over length squared
(Euler-Bernoulli, any textbook on vibration), so a relative change of t/L^2 is, at first order, that
of every bending frequency; shear, width and what is fixed to the board are left out.

Functions: dimensions, moisture, planks.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from studylib.report.rivals.parts import Ground, Rival, each_wood, gap_of_woods, not_tested
from studylib.stats import scales
from studylib.words.numbers import MINUS, between, counted, rounded
from studylib.words.text import listed

SHEET = "specimens.csv"


def _column(ground: Ground, name: str) -> dict[str, float]:
    """Filled cells of a column of specimens.csv: board -> number."""
    found = {}
    for specimen in ground.summary.study.specimens:
        value = getattr(specimen, name, None)
        if specimen.specimen in ground.boards and value is not None and math.isfinite(value):
            found[specimen.specimen] = float(value)
    return found


def _filled(ground: Ground, *names: str) -> str:
    count = [f"{name} of {len(_column(ground, name))}" for name in names]
    return f"columns {listed(count)} of {counted(len(ground.boards), 'board')}"


def _means(ground: Ground, values: dict[str, float], unit: str) -> str:
    """Each wood's mean and spread, in the order of specimens.csv."""
    said = []
    for wood, found in each_wood(ground, values).items():
        sd = f" ({rounded(float(found.std(ddof=1)), digits=2)})" if found.size > 1 else ""
        said.append(f"{wood} {rounded(float(found.mean()), digits=4)} {unit}{sd}")
    return f"mean (standard deviation over boards) of {listed(said)}"


# ---------------------------------------------------------------- dimensions


def dimensions(ground: Ground) -> Rival:
    """Boards of one wood cut a little longer or thicker."""
    looks = "resonances that lie higher or lower because a wood's boards were cut otherwise"
    tested = _filled(ground, "length_mm", "thickness_mm")
    return Rival("board dimensions", looks, tested, _dimensions_say(ground))


def _dimensions_say(ground: Ground) -> str:
    length, thickness = _column(ground, "length_mm"), _column(ground, "thickness_mm")
    both = {b: math.log(thickness[b] / length[b] ** 2) for b in length if b in thickness}
    woods = each_wood(ground, both)
    lacking = [name for name, cells in (("length_mm", length), ("thickness_mm", thickness))
               if len(cells) < len(ground.boards)]  # fmt: skip
    if set(woods) != set(ground.boards.values()) or not woods:
        return not_tested(f"measure and fill in {listed(lacking or ['length_mm'])} in {SHEET}.")
    said = [
        f"Length, {_means(ground, length, 'mm')}.",
        f"Thickness, {_means(ground, thickness, 'mm')}.",
    ]
    if gap_of_woods(woods) is None:
        return " ".join([*said, "There is one wood only: no difference of woods to explain."])
    said.append(
        f"Largest difference of woods: {_percent_gap(ground, length)} in length, "
        f"{_percent_gap(ground, thickness)} in thickness."
    )
    a, b, change, u = gap_of_woods(woods)
    sure = f", standard uncertainty {rounded(100 * u, digits=2)} %" if math.isfinite(u) else ""
    said.append(
        "Bending frequencies of a thin free beam go as thickness over length squared: at first "
        f"order that puts those of {b} {_percent(change)} against {a}{sure}. Levels are not "
        "corrected for it, so near a resonance it stays a rival."
    )
    if lacking:
        said.append(f"Some boards lack {listed(lacking)}: measure and fill in.")
    if len(set(length.values())) == len(set(thickness.values())) == 1 < len(ground.boards):
        said.append("Every board has the same entry: were they measured?")
    return " ".join(said)


def _percent_gap(ground: Ground, values: dict[str, float]) -> str:
    logs = {board: math.log(value) for board, value in values.items()}
    _, _, change, u = gap_of_woods(each_wood(ground, logs))
    sure = f" (standard uncertainty {rounded(100 * u, digits=2)} %)" if math.isfinite(u) else ""
    return f"{rounded(100 * abs(change), digits=2)} %{sure}"


def _percent(change: float) -> str:
    return f"{100 * change:+.2f} %".replace("-", MINUS)


# ---------------------------------------------------------------- moisture


def moisture(ground: Ground) -> Rival:
    """Boards of one wood drier than the others, or a day that was damper."""
    looks = "a wood that is stiffer and lighter because its boards were drier that day"
    tested = f"{_filled(ground, 'moisture_pct')}; temperature and humidity of the takes"
    return Rival("moisture", looks, tested, _moisture_says(ground))


def _moisture_says(ground: Ground) -> str:
    cells = _column(ground, "moisture_pct")
    woods, climate = each_wood(ground, cells), _climate(ground)
    if set(woods) != set(ground.boards.values()) or not woods:
        weaker = f"A weaker substitute: {climate[0].lower()}{climate[1:]}" if climate else ""
        return not_tested(f"fill in moisture_pct in {SHEET}.", weaker)
    said = [f"Moisture, {_means(ground, cells, '%')}."]
    gap = gap_of_woods(woods)
    if gap is None:
        said.append("There is one wood only: no difference of woods to explain.")
    else:
        a, b, change, u = gap
        sure = f" (standard uncertainty {rounded(u, digits=2)})" if math.isfinite(u) else ""
        said.append(
            f"The widest pair, {a} and {b}, lies {rounded(abs(change), digits=2)} percentage "
            f"points apart{sure}; the effects are not corrected for it."
        )
    if len(cells) < len(ground.boards):
        said.append(f"{len(ground.boards) - len(cells)} of the boards lack it: fill in.")
    return " ".join([*said, climate]).strip()


def _climate(ground: Ground) -> str:
    said = []
    for name, words, unit in (
        ("temperature_c", "temperature", "°C"), ("humidity_pct", "humidity", "%"),
    ):  # fmt: skip
        found = [getattr(take, name, None) for take in ground.takes]
        found = [value for value in found if value is not None and math.isfinite(value)]
        if found:
            said.append(f"{words} from {min(found):.1f} to {max(found):.1f} {unit}")
    return f"Over the takes: {listed(said)}." if said else ""


# ---------------------------------------------------------------- planks


def planks(ground: Ground) -> Rival:
    """Boards of one plank are alike, and counted alone they look like a wood."""
    looks = "boards of one plank are alike, so two planks look like two woods"
    own = [s for s in ground.summary.study.specimens if s.specimen in ground.boards]
    given = [s for s in own if not s.source_assumed]
    tested = f"column source, given for {len(given)} of {counted(len(own), 'board')}"
    return Rival("planks rather than woods", looks, tested, _planks_say(ground, own, given))


def _planks_say(ground: Ground, own: list, given: list) -> str:
    if not given:
        return not_tested(
            f"fill in source (plank, tree or lot) in {SHEET}.",
            "Each board was taken as its own plank, which is assumed.",
        )
    boards: dict[str, Counter] = {}
    for specimen in own:
        boards.setdefault(specimen.wood, Counter())[specimen.source] += 1
    each = [
        f"{wood} {counted(len(found), 'source')} ({_span(found.values())} of each)"
        for wood, found in boards.items()
    ]
    said = [f"Sources: {listed(each)}."]
    if len(given) < len(own):
        said.append(f"For {len(own) - len(given)} of the boards each its own plank was assumed.")
    single = [wood for wood, found in boards.items() if len(found) == 1]
    if single:
        said.append(
            f"{listed(single)} {'comes' if len(single) == 1 else 'come'} from one source only: "
            "plank and wood cannot be told apart there."
        )
    said += [_source_spread(ground, feature) for feature in ground.features]
    said.append(
        "Woods are compared on sources. What all sources of a wood share besides the wood, such as "
        "a supplier or a drying, this design cannot rule out."
    )
    return " ".join(filter(None, said))


def _span(counts) -> str:
    low, high = min(counts), max(counts)
    return counted(high, "board") if low == high else f"{low} to {high} boards"


def _source_spread(ground: Ground, feature: str) -> str:
    """Spread between sources of a wood, from the variance table; or ""."""
    table = ground.summary.comparison.variance
    table = table[(table["feature"] == feature) & np.isfinite(table["variance"].astype(float))]
    for name in ("source", "specimen"):
        rows = table[table["level"] == name]
        if not rows.empty:
            row, known = rows.iloc[0], ground.summary.describe(feature)
            sd, low, high = (
                scales.reported_difference(math.sqrt(max(value, 0.0)), known)
                for value in (row["variance"], row["low"], row["high"])
            )
            unit, noun = known.difference_unit, "boards" if name == "specimen" else "sources"
            ends = between(low, high, unit)
            return (
                f"{feature}: standard deviation between {noun} of a wood "
                f"{rounded(sd, digits=2)} {unit} ({ends})."
            )
    return ""
