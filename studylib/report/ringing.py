"""What rings, for the reader: taps found and refused, modes, and where they meet the tone.

Every refused tap keeps its reason; a board in which a mode is missing is named. Whether a
harmonic is lifted by the board's size alone is a matter of where its modes fall, not of its wood.

Functions: tap_sentences, refused_table, found_table, modes_table, missing_sentences,
bench_sentence, size_sentences, near_table, about_damping, sweep_sentences.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studylib.report.summary import Summary
from studylib.signal.damping import decay_time, logarithmic_decrement, quality_factor
from studylib.signal.transfer_functions import LOWEST_COHERENCE
from studylib.wood.near_tone import BENCH, FREE, LIFTED_DB, PREDICTED
from studylib.words.numbers import MINUS, MISSING, counted, with_uncertainty
from studylib.words.text import listed

ORDER = (PREDICTED, FREE, BENCH)  # which way of knowing the modes tells of the size alone first
FIRST = 6  # harmonics, and modes of a tap, that are shown
MODES = 3  # of each board that are shown in full
NEAR_TABLE = [
    "harmonic", "wood", "nearest mode", "mode Hz", "bandwidths off", "gain dB", "least to most",
    "gain on the bench dB", "lifted in",
]  # fmt: skip
NO_TAPS = (
    "No board was tapped. A tap shows a board's modes, how fast they die away and, freely hung, "
    "how stiff it is."
)


def tap_sentences(modes: pd.DataFrame) -> list[str]:
    """How many taps were found, and how many of them are not used.

    Parameters
    ----------
    modes : rows of the table `modes` (one batch or all).
    """
    taps = modes[modes["kind"] == "tap"]
    if taps.empty:
        return [NO_TAPS]
    each = taps.groupby(["take", "tap"], sort=False).agg(
        wood=("wood", "first"), usable=("usable", "any"), support=("support", "first")
    )
    each = each[each.index.get_level_values("tap") > 0]
    takes = taps["take"].nunique()
    said = [
        f"{counted(len(each), 'tap')} in {counted(takes, 'take')}: "
        + listed(
            f"{counted(int(n), 'tap')} {'on the bench' if support == 'bench' else 'freely hung'}"
            for support, n in each["support"].value_counts().items()
        )
        + ". A tap on the bench tells of the board with driver and sensor on it, one freely hung "
        "of the board alone."
    ]
    refused = each[~each["usable"].astype(bool)]
    if refused.empty:
        return [*said, "None of them was refused."]
    woods = listed(f"{n} of {wood}" for wood, n in refused["wood"].value_counts().items())
    return [
        *said,
        f"{counted(len(refused), 'tap is', 'taps are')} not used ({woods}); each is listed with "
        "its reason.",
    ]


def refused_table(modes: pd.DataFrame) -> pd.DataFrame:
    """Taps that are not used: take, board, tap, reason."""
    taps = modes[(modes["kind"] == "tap") & ~modes["usable"].astype(bool)]
    rows = taps.drop_duplicates(["take", "tap"])[["take", "specimen", "tap", "reason"]]
    return rows.rename(columns={"specimen": "board"}).reset_index(drop=True)


def found_table(modes: pd.DataFrame) -> pd.DataFrame:
    """The modes of the first usable tap of each take, strongest first, at most `FIRST` a take.

    Parameters
    ----------
    modes : rows of the table `modes` of one batch.
    """
    taps = modes[(modes["kind"] == "tap") & modes["usable"].astype(bool)]
    first = taps[taps["tap"] == taps.groupby("take")["tap"].transform("min")]
    rows = first.sort_values("level_db", ascending=False, kind="stable")
    rows = rows.groupby("take", sort=False).head(FIRST)
    place = {take: i for i, take in enumerate(dict.fromkeys(taps["take"]))}
    rows = rows.sort_values("take", key=lambda names: names.map(place), kind="stable")
    f, loss = rows["frequency_hz"].astype(float), rows["loss_factor"].astype(float)
    return pd.DataFrame(
        {
            "take": rows["take"], "board": rows["specimen"],
            "frequency Hz": _pairs(f, rows["frequency_u"].astype(float)),
            "decay time s": _pairs(
                decay_time(f, loss),
                decay_time(f, loss) * rows["loss_factor_u"].astype(float) / loss,
            ),
            "level dB": rows["level_db"].astype(float),
        }
    ).reset_index(drop=True)  # fmt: skip


def modes_table(boards: pd.DataFrame, *, support: str) -> pd.DataFrame:
    """The first modes of each board: one quantity in its four names, with uncertainty.

    Parameters
    ----------
    boards : the table `board_modes`.  support : "bench" or "free".
    """
    rows = boards[(boards["support"] == support) & ~boards["missing"] & (boards["mode"] <= MODES)]
    f, loss = rows["frequency_hz"], rows["loss_factor"]
    share = rows["loss_factor_u"] / loss
    return pd.DataFrame(
        {
            "board": rows["specimen"], "wood": rows["wood"], "mode": rows["mode"],
            "frequency Hz": _pairs(f, rows["frequency_u"]),
            "loss factor": _pairs(loss, rows["loss_factor_u"]),
            "Q": _pairs(quality_factor(loss), quality_factor(loss) * share),
            "decay time s": _pairs(decay_time(f, loss), decay_time(f, loss) * share),
            "decrement": _pairs(logarithmic_decrement(loss), logarithmic_decrement(loss) * share),
            "mounts": rows["n_mounts"], "taps": rows["n_taps"],
        }
    ).reset_index(drop=True)  # fmt: skip


def _pairs(values: pd.Series, u: pd.Series) -> list[str]:
    return [with_uncertainty(float(v), float(w)) for v, w in zip(values, u, strict=True)]


def missing_sentences(boards: pd.DataFrame) -> list[str]:
    """Which numbered mode was not found in which board."""
    lost = boards[boards["missing"].astype(bool)]
    said = []
    for (support, mode), rows in lost.groupby(["support", "mode"], sort=True):
        where = "on the bench" if support == "bench" else "freely hung"
        said.append(f"Mode {mode} {where} was not found in {listed(rows['specimen'])}.")
    if said:
        said.append(
            "A mode is not heard where the tap, or the microphone, sits on a point of it that does "
            "not move; it is then missing from the recording, not from the board."
        )
    return said


def bench_sentence(boards: pd.DataFrame) -> list[str]:
    """What lying on the bench does to the first mode, against hanging free."""
    first = boards[(boards["mode"] == 1) & ~boards["missing"] & (boards["role"] == "")]
    pairs = first.pivot(index="specimen", columns="support", values=["frequency_hz", "loss_factor"])
    if not {("loss_factor", "bench"), ("loss_factor", "free")} <= set(pairs.columns):
        return []
    pairs = pairs.dropna()
    if pairs.empty:
        return []
    f = 100 * (pairs["frequency_hz", "bench"] / pairs["frequency_hz", "free"] - 1)
    loss = pairs["loss_factor", "bench"] / pairs["loss_factor", "free"]
    return [
        f"Against hanging free, the bench moves the first mode by {_range(f, 1)} % and makes its "
        f"loss {_range(loss, 2)} times as large ({counted(len(pairs), 'board')}, lowest to "
        "highest): part of what a tap on the bench shows is the bench."
    ]


def size_sentences(near: pd.DataFrame) -> list[str]:
    """Which harmonics of the tone the boards' size alone would lift."""
    compared = near[near["role"] == ""]
    basis = next((name for name in ORDER if (compared["basis"] == name).any()), "")
    if not basis:
        return [
            "Where the boards' modes fall on the harmonics of the tone is not known: it needs at "
            "least two modes of a board, from taps."
        ]
    rows = compared[compared["basis"] == basis]
    boards, said = rows["specimen"].nunique(), []
    count = rows.groupby("harmonic")["lifted"].agg(["sum", "size"])
    in_all = [k for k, n in count.iterrows() if n["sum"] == n["size"] == boards]
    in_some = [k for k, n in count.iterrows() if n["sum"] > 0 and k not in in_all]
    known = {PREDICTED: "as predicted from size and stiffness", FREE: "as measured freely hung",
             BENCH: "as measured on the bench"}[basis]  # fmt: skip
    about = f"{known} (a mode lifts a harmonic when it adds at least {LIFTED_DB:g} dB to what a "
    about += "strip without ends would pass on)"
    if in_all:
        said.append(
            f"In all {counted(boards, 'board')} a mode lifts {_harmonics(in_all)}, {about}: cut to "
            "one size, boards of any wood would show more there, and that is no sign of the wood."
        )
    else:
        said.append(f"No harmonic is lifted by a mode in all {counted(boards, 'board')}, {about}.")
    if in_some:
        said.append(
            f"In some boards and not in others a mode lifts {_harmonics(in_some)}: there a small "
            "difference in size or stiffness makes a large one in level."
        )
    said += [_nearest(rows, k) for k in in_all[:FIRST]]
    return said


def _harmonics(numbers: list[int]) -> str:
    return listed("the tone itself (f)" if k == 1 else f"{k}f" for k in numbers)


def _nearest(rows: pd.DataFrame, k: int) -> str:
    own = rows[rows["harmonic"] == k]
    name = "f" if k == 1 else f"{k}f"
    modes = listed(str(mode) for mode in sorted(own["mode"].unique()))
    return (
        f"{name} = {own['frequency_hz'].iloc[0]:.0f} Hz lies "
        f"{_range(own['distance_bandwidths'].abs(), 1)} bandwidths from mode {modes}, which adds "
        f"{_range(own['gain_db'], 0)} dB (lowest to highest over the boards)."
    )


def _range(values: pd.Series, places: int) -> str:
    low, high = float(values.min()), float(values.max())
    ends = [f"{value:.{places}f}".replace("-", MINUS) for value in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def near_table(near: pd.DataFrame) -> pd.DataFrame:
    """The mode nearest to each of the first harmonics: one row a harmonic and wood, lowest to
    highest over its boards. All boards one by one are in tables/modes_near_tone.csv."""
    compared = near[(near["harmonic"] <= FIRST) & (near["role"] == "")]
    basis = next((name for name in ORDER if (compared["basis"] == name).any()), "")
    out = []
    for (k, wood), rows in compared.groupby(["harmonic", "wood"], sort=False):
        known, bench = rows[rows["basis"] == basis], rows[rows["basis"] == BENCH]
        if known.empty:
            continue
        out.append(
            {
                "harmonic": "f" if k == 1 else f"{k}f", "wood": wood,
                "nearest mode": listed(str(mode) for mode in sorted(known["mode"].unique())),
                "mode Hz": _range(known["mode_hz"], 0),
                "bandwidths off": _range(known["distance_bandwidths"], 1),
                "gain dB": _range(known["gain_db"], 1),
                "least to most": _range(pd.concat([known["gain_low"], known["gain_high"]]), 1),
                "gain on the bench dB": MISSING if bench.empty else _range(bench["gain_db"], 1),
                "lifted in": f"{int(known['lifted'].sum())} of {len(known)} boards",
            }
        )  # fmt: skip
    table = pd.DataFrame(out, columns=NEAR_TABLE)
    return table.assign(order=[int(h.rstrip("f") or 1) for h in table["harmonic"]]).sort_values(
        "order", kind="stable", ignore_index=True
    )[NEAR_TABLE]


def about_damping() -> list[str]:
    """One quantity, four names."""
    return [
        "Loss factor, Q, decay time and logarithmic decrement say the same: how fast a mode dies "
        "away. The loss factor is the width of its resonance at half power over its frequency; Q "
        "is one over it; the decrement is π times it; the time to −60 dB is 2.2 over "
        "frequency times loss factor."
    ]


def sweep_sentences(summary: Summary) -> list[str]:
    """What the sweeps gave, and how well repeats agree."""
    takes = [t for t in summary.study.takes if t.kind == "sweep" and not t.exclude]
    if not takes:
        return ["No sweep was recorded."]
    if not summary.study.settings.sweep.known:
        return [
            "What was played is not written down under [sweep] in study.toml, so that only the "
            "response at multiples of the tone is taken from the sweeps."
        ]
    found = summary.modes.responses
    mounts = found[["specimen", "mount"]].drop_duplicates()
    said = [
        f"{counted(len(takes), 'sweep')}; responses of {counted(len(mounts), 'mount')}. Modes of a "
        "sweep are those of the board with the driver on it, as in a tap on the bench."
    ]
    repeated = found[found["coherence"].notna()]
    if repeated.empty:
        return [
            *said,
            "No mount has more than one sweep: their coherence, which tells noise, rattles and "
            "movement from response, is not known. Record two or three a mount.",
        ]
    low = float(np.mean(repeated["coherence"] < LOWEST_COHERENCE))
    return [
        *said,
        f"Coherence of repeated sweeps lies below {LOWEST_COHERENCE:g} in {100 * low:.0f} % of the "
        "band: there noise, a rattle or movement is in the response as well.",
    ]
