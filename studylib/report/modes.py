"""What rings and what the wood is, for the reader: taps, modes, sweeps and stiffness.

Every refused tap keeps its reason; a board in which a mode is missing is named. Whether a
harmonic is lifted by the board's size alone depends on where its modes fall, not on its wood.
Sentences are notes (see `codes`); tables hold names and formatted numbers.

Functions: modes_of_study, tap_sentences, refused_table, found_table, modes_table,
missing_sentences, bench_sentence, size_sentences, near_table, sweep_sentences,
wood_sentences, properties_table. Class: StudyModes.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import codes, sheets, words
from studylib.codes.features import ModeBasis
from studylib.modes.gathered import Gathered
from studylib.modes.means import (
    COVERAGE_95,
    MOUNT,
    hidden_decays,
    over_places,
    own_squared,
    room_hides,
    tap_rows,
)
from studylib.signal import damping
from studylib.wood import modes_near_tone, prediction, wood_features, wood_table, wood_warnings
from studylib.wood.boards import HELD
from studylib.words import numbers, text

# Which way of knowing the modes tells of the size alone first.
ORDER = (ModeBasis.HELD, ModeBasis.PREDICTED, ModeBasis.FREE, ModeBasis.BENCH)
FIRST = 6  # harmonics, and modes of a tap, that are shown
MODES = 3  # of each board that are shown in full
_LOSS_U = ("loss_factor_u", "loss_factor_place_u")
NEAR_TABLE = [
    "harmonic", "wood", "nearest mode", "mode Hz", "bandwidths off", "gain dB", "gain range dB",
    "bench gain dB", "lifted in",
]  # fmt: skip
MODULUS = "wood.youngs_modulus_gpa"
# Quantity of the table `wood` -> its heading, and the factor to the heading's unit.
PROPERTIES = {
    "wood.density_kg_m3": ("modes_report.density", 1.0),
    MODULUS: ("modes_report.youngs_modulus", 1.0),
    "shear_ratio": ("modes_report.shear_ratio", 1.0),
    "wood.sound_speed_m_s": ("modes_report.sound_speed", 1.0),
    "wood.radiation_m4_kg_s": ("modes_report.radiation", 1.0),
    "wood.impedance_pa_s_m": ("modes_report.impedance", 1e-6),
    "wood.loss_factor": ("modes_report.loss_factor", 1.0),
}


@dataclass(frozen=True)
class StudyModes:
    """numbered : every mode of every tap and sweep, with its number.  boards : one row a board,
    support and number.  model : of the boards.  wood : properties of each.  near : the mode nearest
    to each harmonic of the tone.  features : rows of the features table that the wood gives.
    warnings : notes."""

    numbered: pd.DataFrame
    boards: pd.DataFrame
    model: prediction.Model
    wood: pd.DataFrame
    near: pd.DataFrame
    features: pd.DataFrame
    warnings: tuple[str, ...]


def modes_of_study(study: sheets.Study, gathered: Gathered) -> StudyModes:
    """Wood and modes near the tone from what was gathered."""
    model = prediction.model_of(study, gathered.board_modes)
    wood = wood_table(study, model.told)
    measured = [batch for batch in study.batches if batch not in gathered.failed]
    return StudyModes(
        numbered=gathered.modes,
        boards=gathered.board_modes,
        model=model,
        wood=wood,
        near=modes_near_tone(study, model, gathered.board_modes, wood),
        features=wood_features(study, gathered.modes, batches=measured),
        warnings=tuple(wood_warnings(study, wood)),
    )


def tap_sentences(modes: pd.DataFrame) -> list[str]:
    """How many taps were found, and how many of them are not used.

    Parameters
    ----------
    modes : rows of the table `modes` (one batch or all).
    """
    taps = modes[modes["kind"] == "tap"]
    if taps.empty:
        return [codes.note("modes_report.no_taps")]
    each = taps.groupby(["take", "tap"], sort=False).agg(
        wood=("wood", "first"), usable=("usable", "any"), support=("support", "first")
    )
    each = each[each.index.get_level_values("tap") > 0]
    found = codes.note(
        "modes_report.taps_found",
        taps=len(each),
        takes=taps["take"].nunique(),
        supports=each["support"].value_counts().to_dict(),
    )
    woods = each.loc[~each["usable"].astype(bool), "wood"].value_counts().to_dict()
    lost = (
        codes.note("modes_report.refused", taps=sum(woods.values()), woods=woods)
        if woods
        else codes.note("modes_report.none_refused")
    )
    return [found, lost, *_room_sentences(taps)]


def _room_sentences(taps: pd.DataFrame) -> list[str]:
    """What was heard of the room, what rests on one place, what it hides, and what helps."""
    each = taps.drop_duplicates(["take", "tap"])
    heard = each[each["room_decay_s"].notna()]
    if heard.empty:
        return []
    seconds = float(heard["room_decay_s"].median())
    reach = np.exp(COVERAGE_95 * float((heard["room_decay_u"] / heard["room_decay_s"]).median()))
    room = {
        "room_s": seconds,
        "low_s": seconds / reach,
        "high_s": seconds * reach,
        "direct_db": float(heard["direct_db"].median()),
    }
    in_room = taps[taps["usable"].astype(bool) & (taps["loss_factor_place_u"] > 0)]
    mount = [in_room[name] for name in ("specimen", "support", "mount")]
    places = in_room.groupby(mount)["place"].transform("nunique")
    alone = list(in_room.loc[places == 1, "specimen"])
    said = [
        codes.note("modes_report.room_heard", taps=len(heard), of=len(each), **room),
        *[codes.note("modes_report.one_place", boards=list(dict.fromkeys(alone)))] * bool(alone),
        *[codes.note("modes_report.many_places")] * (len(alone) < len(in_room)),
    ]
    u, room_u = (in_room[x] / in_room["loss_factor"] for x in _LOSS_U)
    own = np.sqrt(own_squared(u, room_u) / places)
    room_u = over_places(room_u, places, in_room["frequency_hz"])
    if not room_hides(np.hypot(own, room_u), own, room_u).any():
        return said
    # How many decays of a mount it hides; nothing before the modes have their numbers.
    rows = tap_rows(taps)
    hidden, decays = len(hidden_decays(rows)), len(rows[MOUNT].drop_duplicates())
    told = codes.note("modes_report.room_hides", hidden=hidden, decays=decays)
    advice = ["room.near", codes.note("room.moved", places=3), "room.damped", "room.contact"]
    return [*said, *codes.holding((hidden, told)), *advice]


def refused_table(modes: pd.DataFrame) -> pd.DataFrame:
    """Taps that are not used: take, board, tap, reason; and evidence, where a ring shows any."""
    taps = modes[(modes["kind"] == "tap") & ~modes["usable"].astype(bool)]
    told = ["signs"] if taps["signs"].any() else []
    rows = taps.drop_duplicates(["take", "tap"])[["take", "specimen", "tap", "reason", *told]]
    return rows.rename(columns={"specimen": "board", "signs": "evidence"}).reset_index(drop=True)


def found_table(modes: pd.DataFrame) -> pd.DataFrame:
    """The modes of the first usable tap of each take, strongest first, at most `FIRST` a take.

    Parameters
    ----------
    modes : rows of the table `modes` of one batch.
    """
    taps = modes[(modes["kind"] == "tap") & modes["usable"].astype(bool)]
    first = taps[taps["tap"] == taps.groupby("take")["tap"].transform("min")]
    place = {take: i for i, take in enumerate(dict.fromkeys(taps["take"]))}
    rows = (
        first.sort_values("level_db", ascending=False, kind="stable")
        .groupby("take", sort=False)
        .head(FIRST)
        .sort_values("take", key=lambda names: names.map(place), kind="stable")
    )
    f, loss = rows["frequency_hz"].astype(float), rows["loss_factor"].astype(float)
    seconds = damping.decay_time(f, loss)
    return pd.DataFrame(
        {
            "take": rows["take"], "board": rows["specimen"],
            "frequency Hz": _pairs(f, rows["frequency_u"].astype(float)),
            "decay time s": _pairs(seconds, seconds * rows["loss_factor_u"].astype(float) / loss),
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
    # A board that was set up once does not show what holding it adds.
    share = np.hypot(rows["loss_factor_u"] / loss, HELD * (rows["n_mounts"] == 1))
    same = {
        "Q": damping.quality_factor(loss),
        "decay time s": damping.decay_time(f, loss),
        "decrement": damping.logarithmic_decrement(loss),
    }
    return pd.DataFrame(
        {
            "board": rows["specimen"], "wood": rows["wood"], "mode": rows["mode"],
            "frequency Hz": _pairs(f, rows["frequency_u"]),
            "loss factor": _pairs(loss, loss * share),
            **{name: _pairs(values, values * share) for name, values in same.items()},
            "mounts": rows["n_mounts"], "taps": rows["n_taps"],
        }
    ).reset_index(drop=True)  # fmt: skip


def _pairs(values: pd.Series, u: pd.Series) -> list[str]:
    return [numbers.with_uncertainty(float(v), float(w)) for v, w in zip(values, u, strict=True)]


def missing_sentences(boards: pd.DataFrame) -> list[str]:
    """Which numbered mode was not found in which board."""
    lost = boards[boards["missing"].astype(bool)]
    found = [
        codes.note(
            "modes_report.missing", mode=mode, support=support, boards=list(rows["specimen"])
        )
        for (support, mode), rows in lost.groupby(["support", "mode"], sort=True)
    ]
    return [*found, codes.note("modes_report.why_missing")] if found else []


def bench_sentence(boards: pd.DataFrame) -> list[str]:
    """What lying on the bench does to the first mode, against hanging free."""
    first = boards[(boards["mode"] == 1) & ~boards["missing"] & (boards["role"] == "")]
    bench, free = (
        first[first["support"] == support].set_index("specimen")[["frequency_hz", "loss_factor"]]
        for support in ("bench", "free")
    )
    ratio = (bench / free).dropna()
    told = codes.note(
        "modes_report.bench_against_free",
        boards=len(ratio),
        frequency_percent=_ends(100 * (ratio["frequency_hz"] - 1)),
        loss_ratio=_ends(ratio["loss_factor"]),
    )
    return codes.holding((len(ratio), told))


def _ends(values: pd.Series) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _compared(near: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Rows of boards that are compared, and the way of knowing their modes, one that gives a gain
    before others; "" without one."""
    compared = near[near["role"] == ""]
    found = [
        set(compared.loc[compared["gain_db"].notna(), "basis"]), set(compared["basis"])
    ]  # fmt: skip
    return compared, next((one for known in found for one in ORDER if one in known), "")


def size_sentences(near: pd.DataFrame) -> list[str]:
    """Which harmonics of the tone the boards' size alone would lift."""
    compared, basis = _compared(near)
    if not basis:
        return [codes.note("modes_report.modes_unknown")]
    rows = compared[compared["basis"] == basis]
    if rows["gain_db"].isna().all():
        return [codes.note("modes_report.gain_unknown")]
    boards = rows["specimen"].nunique()
    count = rows.groupby("harmonic")["lifted"].agg(["sum", "size"])
    in_all = [k for k, n in count.iterrows() if n["sum"] == n["size"] == boards]
    in_some = [k for k, n in count.iterrows() if n["sum"] > 0 and k not in in_all]
    about = {"boards": boards, "basis": basis, "lifted_db": prediction.LIFTED_DB}
    return [
        codes.note("modes_report.lifted_in_all", harmonics=in_all, **about)
        if in_all
        else codes.note("modes_report.lifted_in_none", **about),
        *codes.holding((in_some, codes.note("modes_report.lifted_in_some", harmonics=in_some))),
        *(
            codes.note(
                "modes_report.nearest_mode",
                harmonic=own["harmonic"].iloc[0],
                frequency_hz=own["frequency_hz"].iloc[0],
                modes=sorted(own["mode"].unique()),
                bandwidths=_ends(own["distance_bandwidths"].abs()),
                gain_db=_ends(own["gain_db"]),
                basis=own["basis"].iloc[0],
            )
            for k in in_all[:FIRST]
            for own in [rows[rows["harmonic"] == k]]
        ),
    ]


def _span(values: pd.Series, places: int) -> str:
    low, high = _ends(values)
    return words.say("modes_report.span", low=low, high=high, places=places)


def near_table(near: pd.DataFrame) -> pd.DataFrame:
    """The mode nearest to each of the first harmonics: one row a harmonic and wood, lowest to
    highest over its boards. All boards one by one are in tables/modes_near_tone.csv."""
    compared, basis = _compared(near[near["harmonic"] <= FIRST])
    rows = [
        (
            "f" if k == 1 else f"{k}f",
            wood,
            text.listed(sorted(known["mode"].unique())),
            _span(known["mode_hz"], 0),
            _span(known["distance_bandwidths"], 1),
            _span(known["gain_db"], 1),
            _span(pd.concat([known["gain_low"], known["gain_high"]]), 1),
            numbers.MISSING if bench.empty else _span(bench["gain_db"], 1),
            words.say(
                "modes_report.lifted_boards", lifted=int(known["lifted"].sum()), boards=len(known)
            ),
        )
        for k, of_harmonic in compared.groupby("harmonic")
        for wood, rows in of_harmonic.groupby("wood", sort=False)
        for known, bench in [(rows[rows["basis"] == basis], rows[rows["basis"] == ModeBasis.BENCH])]
        if not known.empty
    ]
    return pd.DataFrame(rows, columns=NEAR_TABLE)


def sweep_sentences(study: sheets.Study) -> list[str]:
    """What the sweeps gave."""
    takes = [t for t in study.takes if t.kind == "sweep" and not t.exclude]
    mounts = len({(t.specimen, t.mount) for t in takes})
    found = codes.note("modes_report.sweeps_found", sweeps=len(takes), mounts=mounts)
    return codes.holding(
        (not takes, "modes_report.no_sweeps"),
        (not study.settings.sweep.known, "modes_report.sweep_shape_unknown"),
        (True, found),
    )[:1]


def wood_sentences(modes: StudyModes) -> list[str]:
    """What the numbers rest on, what to look at first, and what they cannot say."""
    wood = modes.wood[modes.wood["role"] == ""]
    known = wood[(wood["quantity"] == MODULUS) & wood["value"].notna()]
    return (
        [codes.note("modes_report.stiffness_unknown"), *_moisture(wood), *modes.warnings]
        if known.empty
        else [
            codes.note("modes_report.stiffness_known", boards=known["specimen"].nunique()),
            *_moisture(wood),
            *modes.warnings,
            codes.note("modes_report.limits_of_stiffness"),
        ]
    )


def _moisture(wood: pd.DataFrame) -> list[str]:
    """The boards' moisture beside what the air of the takes would settle it at."""
    named = {"measured": "moisture_pct", "from_air": "equilibrium_moisture_pct"}
    values = {key: wood.loc[wood["quantity"] == name, "value"] for key, name in named.items()}
    ends = {key: _ends(own) if own.notna().any() else None for key, own in values.items()}
    return [codes.note("modes_report.moisture", **ends)] if any(ends.values()) else []


def properties_table(wood: pd.DataFrame) -> pd.DataFrame:
    """One row a board under comparison: each property with its standard uncertainty behind ±.

    Parameters
    ----------
    wood : the table `wood`.
    """
    wood = wood[wood["role"] == ""]
    cells = {
        quantity: dict(zip(own["specimen"], zip(own["value"], own["u"], strict=True), strict=True))
        for quantity, own in wood.groupby("quantity")
    }
    boards = wood.drop_duplicates("specimen").reset_index(drop=True)
    columns = {
        words.say(heading): [
            numbers.with_uncertainty(*(factor * x for x in cells[name][board]))
            if board in cells[name]
            else numbers.MISSING
            for board in boards["specimen"]
        ]
        for name, (heading, factor) in PROPERTIES.items()
        if name in cells
    }
    return pd.DataFrame({"board": boards["specimen"], "wood": boards["wood"], **columns})
