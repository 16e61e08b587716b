"""Rivals that lie in the boards: their sizes, their moisture, the planks they were cut from.

Source: the bending frequencies of a thin free-free beam go as thickness over length squared
(Euler-Bernoulli, any textbook on vibration), so a relative change of t/L^2 is, at first order, that
of every bending frequency; shear, width and what is fixed to the board are left out.

Functions: dimensions, moisture, planks.
"""

import math
from collections import Counter

import numpy as np

from studylib import codes, register
from studylib.report.rivals.basis import (
    Basis,
    Finding,
    each_wood,
    gap_of_woods,
    known,
    reported_spread,
    untested,
)
from studylib.sheets.files import grouped

SIZES = ("length_mm", "thickness_mm")
CLIMATE = {"temperature_c": "temperature", "humidity_pct": "humidity"}


def _column(basis: Basis, name: str) -> dict[str, float]:
    """Filled cells of a column of specimens.csv: board -> number."""
    return {
        s.specimen: float(getattr(s, name))
        for s in basis.summary.study.specimens
        if s.specimen in basis.boards and getattr(s, name) is not None
    }


def _means(basis: Basis, column: str, values: dict[str, float]) -> str:
    """Each wood's mean and spread, in the order of specimens.csv."""
    woods = [
        codes.note(
            "rivals.wood_mean",
            column=column,
            wood=wood,
            mean=float(found.mean()),
            sd=float(found.std(ddof=1)) if found.size > 1 else None,
        )
        for wood, found in each_wood(basis, values).items()
    ]
    return codes.note("rivals.means", column=column, woods=woods)


def _every_wood(basis: Basis, woods: dict[str, np.ndarray]) -> bool:
    return bool(woods) and set(woods) == set(basis.boards.values())


# ---------------------------------------------------------------- dimensions


def dimensions(basis: Basis) -> Finding:
    """Boards of one wood cut a little longer or thicker."""
    columns = {name: _column(basis, name) for name in SIZES}
    filled = {name: len(cells) for name, cells in columns.items()}
    return Finding(
        "rivals.dimensions",
        codes.note("rivals.by_sizes", **filled, boards=len(basis.boards)),
        _dimensions_say(basis, columns),
    )


def _dimensions_say(basis: Basis, columns: dict[str, dict[str, float]]) -> list[str]:
    length, thickness = columns.values()
    both = {b: math.log(thickness[b] / length[b] ** 2) for b in length if b in thickness}
    woods = each_wood(basis, both)
    short = [name for name, cells in columns.items() if len(cells) < len(basis.boards)]
    if not _every_wood(basis, woods):
        return [untested(codes.note("rivals.fill_in", columns=short or [SIZES[0]], measured=True))]
    said = [_means(basis, name, cells) for name, cells in columns.items()]
    gap = gap_of_woods(woods)
    if gap is None:
        return [*said, codes.note("rivals.one_wood")]
    alike = len(set(length.values())) == len(set(thickness.values())) == 1 < len(basis.boards)
    return [
        *said,
        codes.note("rivals.size_gap", **{name: _gap(basis, columns[name]) for name in SIZES}),
        codes.note(
            "rivals.bending", a=gap.a, b=gap.b, percent=100 * gap.difference, u=known(100 * gap.u)
        ),
        *codes.holding(
            (short, codes.note("rivals.sizes_lacking", columns=short)),
            (alike, codes.note("rivals.same_sizes")),
        ),
    ]


def _gap(basis: Basis, values: dict[str, float]) -> dict[str, float | None]:
    """Largest relative difference between woods, and its standard uncertainty."""
    logs = {board: math.log(value) for board, value in values.items()}
    gap = gap_of_woods(each_wood(basis, logs))
    return {"percent": 100 * abs(gap.difference), "u": known(100 * gap.u)}


# ---------------------------------------------------------------- moisture


def moisture(basis: Basis) -> Finding:
    """Boards of one wood drier than the others, or a day that was damper."""
    cells = _column(basis, "moisture_pct")
    return Finding(
        "rivals.moisture",
        codes.note("rivals.by_moisture", filled=len(cells), boards=len(basis.boards)),
        _moisture_says(basis, cells),
    )


def _moisture_says(basis: Basis, cells: dict[str, float]) -> list[str]:
    woods, climate = each_wood(basis, cells), _climate(basis)
    if not _every_wood(basis, woods):
        gap = untested(codes.note("rivals.fill_in", columns=["moisture_pct"], measured=False))
        return [gap, codes.note("rivals.climate", **climate, instead=True) if climate else ""]
    gap = gap_of_woods(woods)
    lacking = len(basis.boards) - len(cells)
    return [
        _means(basis, "moisture_pct", cells),
        codes.note("rivals.one_wood")
        if gap is None
        else codes.note(
            "rivals.moisture_gap", a=gap.a, b=gap.b, size=abs(gap.difference), u=known(gap.u)
        ),
        codes.note("rivals.moisture_lacking", boards=lacking) if lacking else "",
        codes.note("rivals.climate", **climate, instead=False) if climate else "",
    ]


def _climate(basis: Basis) -> dict[str, list[float] | None]:
    """Lowest and highest temperature and humidity over the takes; empty without any."""
    given = {
        name: [value for t in basis.takes if (value := getattr(t, column)) is not None]
        for column, name in CLIMATE.items()
    }
    found = {name: [min(values), max(values)] if values else None for name, values in given.items()}
    return found if any(found.values()) else {}


# ---------------------------------------------------------------- planks


def planks(basis: Basis) -> Finding:
    """Boards of one plank are alike, and counted alone they look like a wood."""
    own = [s for s in basis.summary.study.specimens if s.specimen in basis.boards]
    given = sum(not s.source_assumed for s in own)
    return Finding(
        "rivals.planks",
        codes.note("rivals.by_planks", given=given, boards=len(own)),
        _planks_say(basis, own, given),
    )


def _planks_say(basis: Basis, own: list, given: int) -> list[str]:
    if not given:
        return [
            untested(codes.note("rivals.fill_in", columns=["source"], measured=False)),
            codes.note("rivals.plank_assumed"),
        ]
    boards = {wood: Counter(of) for wood, of in grouped((s.wood, s.source) for s in own).items()}
    each = [
        codes.note(
            "rivals.wood_sources",
            wood=wood,
            sources=len(found),
            least=min(found.values()),
            most=max(found.values()),
        )
        for wood, found in boards.items()
    ]
    single = [wood for wood, found in boards.items() if len(found) == 1]
    return [
        codes.note("rivals.sources", woods=each),
        *codes.holding(
            (given < len(own), codes.note("rivals.some_assumed", boards=len(own) - given)),
            (single, codes.note("rivals.one_source", woods=single)),
        ),
        *(_source_spread(basis, feature) for feature in basis.features),
        codes.note("rivals.shared"),
    ]


def _source_spread(basis: Basis, feature: str) -> str:
    """Spread between sources of a wood, from the variance table; or ""."""
    table = basis.summary.comparison.variance
    known = (
        table[(table["feature"] == feature) & np.isfinite(table["variance"])]
        .drop_duplicates("level")
        .set_index("level")
    )
    level = next((name for name in ("source", "specimen") if name in known.index), "")
    if not level:
        return ""
    return codes.note(
        "rivals.source_spread",
        feature=feature,
        level=level,
        **reported_spread(known.loc[level], register.find(feature)),
    )
