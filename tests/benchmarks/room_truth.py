"""What the modes of taps are worth in rooms, and what bounces and hands do to them.

Simulated strokes with a stated truth (tests/signal/rooms.py): five modes from 150 to 5000 Hz, loss
factors 0.003 to 0.02, 2 s a stroke at 48 kHz, background at -50 to -70 dB. All shares are over
rooms: each room, board and place is drawn anew.
- each ratio of direct to reverberant sound and each decay time: three places, one stroke each.
  For every mode within 20 dB of the strongest: found or lost; whether the 95 % interval of its loss
  factor holds, also where it is too wide to be printed (hidden); whether it lies within 10 %; its
  error over the Cramér-Rao bound; for one place and for the mean over three;
- four strokes at one place: the mean over them, whose room part no repeat shrinks;
- clean strokes refused by mistake, an added reflection at 15 ms among them;
- bounces and hands: what is still accepted, and how much of it misses the truth by more than its
  95 % interval;
- two modes in place of one; a contact sensor;
- rooms that are none of the model's: each mode radiated in its own way, a room with few
  resonances of its own below 300 Hz, a tail that begins late, hum.

Run: python -m tests.benchmarks.room_truth [small | large] [seed] [rooms a cell] [parts]
     (small: less than a minute; large: about ten; parts: places, repeats, touches, split
     or beyond alone)
"""

from __future__ import annotations

import inspect
import sys
import time
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd

from studylib.codes import code_of
from studylib.signal.tap import Tap, measure_taps
from tests.signal.rings import RATE, Mode
from tests.signal.rooms import (
    AFTER_S,
    BEFORE_S,
    LN_1000,
    RESTING,
    Room,
    Stroke,
    a_board,
    background_sd,
    bounced,
    decay_times_of,
    heard,
    least_spread,
    response,
    split,
    struck,
)

SEED = 20
RATIOS_DB = (-5.0, 0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0)
DECAY_TIMES_S = (0.2, 0.4, 0.8)
PLACES = 3
STROKES = 4
COUNTED_DB = 20.0  # below the strongest mode
HIDDEN = 0.25  # of a decay's 95 % interval, beyond which its number is not printed
Z95 = 1.96
AS_LONG = 2.5  # times the room's slowest slope, from which a mode's decay must be good


class Heard(NamedTuple):
    """One recording, its taps and what they are held against: the modes as struck, one list for
    each tap (None where there is none of its own), and seconds of processor time a tap."""

    taps: list[Tap]
    modes: list[list[Mode]]
    spent_s: float


def measured(
    strokes: list[Stroke], h, rng, *, noise_db: float, through_air: bool = True, hum: float = 0.0
) -> Heard:
    """A recording of the strokes, analysed. hum : its amplitude at 50 Hz; each multiple has half of
    the one before."""
    x = heard(strokes, h, rng, noise_db=noise_db, click=float(rng.uniform(0.0, 0.3)))
    t = np.arange(len(x)) / RATE
    for k in range(1, 9 if hum else 1):
        x += hum * 0.5 ** (k - 1) * np.cos(2 * np.pi * 50.0 * k * t + rng.uniform(-np.pi, np.pi))
    options = {"rate_hz": RATE, "lowest_hz": 60.0, "highest_hz": None, "most": 16}
    if "through_air" in inspect.signature(measure_taps).parameters:
        options["through_air"] = through_air
    start = time.process_time()
    taps = measure_taps(x, **options)
    spent = (time.process_time() - start) / len(strokes)
    of_stroke: list[Tap | None] = [None] * len(strokes)
    for tap in taps:
        i = int((tap.start_s - BEFORE_S + 0.05) / AFTER_S)
        if 0 <= i < len(strokes) and of_stroke[i] is None:
            of_stroke[i] = tap
    return Heard(of_stroke, [stroke.modes for stroke in strokes], spent)


def rows_of(found: Heard, room: Room, *, noise_db: float, bounds: bool = True, **labels) -> list:
    """One row for each stroke and true mode, and one for each stroke (mode -1)."""
    rows = []
    for stroke, (tap, modes) in enumerate(zip(found.taps, found.modes, strict=True)):
        row = {**labels, "stroke": stroke, "mode": -1, "spent_s": found.spent_s}
        row["reason"] = "no tap" if tap is None else str(code_of(tap.reason) or "")
        row["signs"] = "" if tap is None else " ".join(str(code_of(s.what)) for s in tap.signs)
        told = None if tap is None else tap.room
        row["told_db"], row["told_s"] = (
            (told.ratio_db, told.decay_time_s) if told else (np.nan,) * 2
        )
        row["accepted"] = tap is not None and tap.decays is not None
        mates, row["spurious"] = (
            matched(tap.decays, modes) if row["accepted"] else ([None] * len(modes), 0)
        )
        rows.append(row)
        loudest = max(mode.amplitude for mode in modes)
        most = max(_energy(mode) for mode in modes)
        for k, (mode, mate) in enumerate(zip(modes, mates, strict=True)):
            if mode.amplitude < loudest * 10 ** (-COUNTED_DB / 20):
                continue
            one = {**labels, "stroke": stroke, "mode": k, "accepted": row["accepted"]}
            one |= {"true_hz": mode.frequency_hz, "true_loss": mode.loss, "found": mate is not None}
            one["weak"] = _energy(mode) < most * 10 ** (-COUNTED_DB / 10)
            if room.ratio_db is not None:
                rings = LN_1000 / (np.pi * mode.frequency_hz * mode.loss)
                one["lasts"] = rings / max(decay_times_of(room, mode.frequency_hz))
            if bounds:
                sd = background_sd(noise_db, loudest=loudest, frequency_hz=mode.frequency_hz)
                one["bound_hz"], one["bound"] = least_spread(mode, room, sd=sd)
            if mate is not None:
                d = tap.decays
                one |= {"hz": d.frequency_hz[mate], "u_hz": d.u_frequency_hz[mate]}
                one |= {"loss": d.loss_factor[mate], "u": d.u_loss_factor[mate]}
                one["u_place"] = 0.0 if d.u_place is None else d.u_place[mate]
                one |= {"misfit": bool(d.misfit[mate]), "close": bool(d.close[mate])}
            rows.append(one)
    return rows


def _energy(mode: Mode) -> float:
    return mode.amplitude**2 / (mode.frequency_hz * mode.loss)


def matched(decays, modes: list[Mode]) -> tuple[list[int | None], int]:
    """For each true mode the decay that is nearest to it, within its bandwidth, and how many
    decays within 20 dB of the strongest are left over."""
    f, left = decays.frequency_hz, set(range(len(decays.frequency_hz)))
    mates: list[int | None] = [None] * len(modes)
    pairs = sorted(
        (abs(f[i] - mode.frequency_hz) / max(mode.frequency_hz * mode.loss, 0.5), k, i)
        for k, mode in enumerate(modes)
        for i in left
    )
    for off, k, i in pairs:
        if off < 1.0 and mates[k] is None and i in left:
            mates[k] = i
            left.discard(i)
    if not len(f):
        return mates, 0
    least = decays.amplitude.max() * 10 ** (-COUNTED_DB / 20)
    return mates, sum(decays.amplitude[i] >= least for i in left)


def drawn_noise(rng) -> float:
    """Background re the strongest mode, dB."""
    return float(rng.uniform(-70.0, -50.0))


def drawn_room(rng, ratio_db: float, decay_time_s: float) -> Room:
    """A plain tail in half the rooms; two slopes or shorter high tones in the others."""
    kind = rng.integers(4)
    return Room(
        decay_time_s,
        ratio_db,
        early=float(rng.uniform(0.0, 0.5)),
        second=(2.0 * decay_time_s, 0.15) if kind == 2 else None,
        tilt=0.2 if kind == 3 else 0.0,
    )


def places(rng, count: int) -> pd.DataFrame:
    """Each ratio and decay time: `count` rooms, three places, one stroke at each."""
    rows = []
    for ratio in RATIOS_DB:
        for decay_time in DECAY_TIMES_S:
            for i in range(count):
                room, board = drawn_room(rng, ratio, decay_time), a_board(rng)
                noise_db = drawn_noise(rng)
                for place in range(PLACES):
                    strokes = [Stroke(struck(board, rng))]
                    found = measured(strokes, response(room, rng), rng, noise_db=noise_db)
                    rows += rows_of(found, room, noise_db=noise_db, ratio=ratio,
                                    decay_time=decay_time, case=i, place=place)  # fmt: skip
    return pd.DataFrame(rows)


def one_place(rng, count: int) -> pd.DataFrame:
    """Several strokes at one place."""
    rows = []
    for i in range(count):
        ratio, decay_time = rng.choice(RATIOS_DB[1:7]), rng.choice(DECAY_TIMES_S)
        room, board, noise_db = drawn_room(rng, ratio, decay_time), a_board(rng), drawn_noise(rng)
        strokes = [Stroke(struck(board, rng)) for _ in range(STROKES)]
        found = measured(strokes, response(room, rng), rng, noise_db=noise_db)
        rows += rows_of(found, room, noise_db=noise_db, ratio=ratio, decay_time=decay_time,
                        case=i, place=0)  # fmt: skip
    return pd.DataFrame(rows)


def touched(rng, count: int) -> pd.DataFrame:
    """Recordings of four strokes: clean, with a reflection, with bounces, with hands."""
    rows = []
    for kind in TOUCHES:
        for i in range(count):
            ratio = float(rng.uniform(0.0, 40.0))
            room = drawn_room(rng, ratio, float(rng.uniform(0.2, 0.8)))
            if kind == "constant reflection":
                level = float(rng.uniform(0.25, 0.6) * rng.choice((-1, 1)))
                room = room._replace(wall=(0.015, level))
            board, noise_db = a_board(rng), drawn_noise(rng)
            clean = [Stroke(struck(board, rng)) for _ in range(STROKES)]
            strokes, bad = TOUCHES[kind](clean, rng)
            dry = kind.endswith("sensor")
            room = Room(ratio_db=None) if dry else room
            found = measured(strokes, response(room, rng), rng, noise_db=noise_db,
                             through_air=not dry)  # fmt: skip
            labels = {"kind": kind, "ratio": ratio, "decay_time": room.decay_time_s, "case": i}
            times = [(one.bounce or one.hand or (0.0,))[0] for one in strokes]
            rows += [
                {**row, "touched": bad[row["stroke"]], "at_s": times[row["stroke"]]}
                for row in rows_of(found, room, noise_db=noise_db, bounds=False, **labels)
            ]
    return pd.DataFrame(rows)


def _clean(strokes, rng):
    return strokes, [False] * len(strokes)


def _bounces(strokes, rng):
    middle = np.exp(rng.uniform(np.log(0.005), np.log(0.12)))
    delays = np.clip(middle * rng.uniform(0.7, 1.4, len(strokes)), 0.005, 0.12)
    return [
        bounced(stroke, rng, after_s=float(delay), strength=float(rng.uniform(0.1, 0.7)))
        for stroke, delay in zip(strokes, delays, strict=True)
    ], [True] * len(strokes)


def _one(strokes, rng, change):
    i = int(rng.integers(len(strokes)))
    changed = [change(stroke) if j == i else stroke for j, stroke in enumerate(strokes)]
    return changed, [j == i for j in range(len(strokes))]


def _one_bounce(strokes, rng):
    return _one(strokes, rng, lambda one: _bounces([one], rng)[0][0])


def _hand_later(strokes, rng):
    at, times = np.exp(rng.uniform(np.log(0.02), np.log(0.4))), rng.uniform(2.0, 4.0)
    return _one(strokes, rng, lambda one: one._replace(hand=(float(at), float(times))))


def _hands_later(strokes, rng):
    return [_hand_later([stroke], rng)[0][0] for stroke in strokes], [True] * len(strokes)


def _hand_resting(strokes, rng):
    times = float(rng.uniform(2.0, 4.0))
    return _one(strokes, rng, lambda one: one._replace(hand=(RESTING, times)))


TOUCHES = {
    "clean": _clean,
    "constant reflection": _clean,
    "a bounce in each stroke": _bounces,
    "a bounce in one of four": _one_bounce,
    "a hand laid on in one of four": _hand_later,
    "a hand laid on in each": _hands_later,
    "a hand resting in one of four": _hand_resting,
    "clean, contact sensor": _clean,
    "a bounce in each, contact sensor": _bounces,
    "a hand laid on in one of four, contact sensor": _hand_later,
}


def doubled(rng, count: int) -> pd.DataFrame:
    """Boards whose strongest mode is split in two, at one place."""
    rows = []
    for i in range(count):
        ratio = float(rng.choice((5.0, 10.0, 20.0, 30.0)))
        room, noise_db = drawn_room(rng, ratio, 0.4), drawn_noise(rng)
        board = a_board(rng)
        at = int(np.argmax([mode.amplitude for mode in board]))
        apart, faster = float(rng.uniform(0.3, 2.0)), float(rng.choice((1.0, 3.0)))
        modes = [*board[:at], *split(board[at], rng, apart=apart, faster=faster), *board[at + 1 :]]
        found = measured([Stroke(modes)], response(room, rng), rng, noise_db=noise_db)
        labels = {"ratio": ratio, "decay_time": 0.4, "case": i, "place": 0}
        rows += [
            {**row, "doubled": row["mode"] in (at, at + 1)}
            for row in rows_of(found, room, noise_db=noise_db, bounds=False, **labels)
        ]
    return pd.DataFrame(rows)


def _each_its_own_way(room, board, rng):
    """Every mode with its own ratio, within 6 dB either way."""
    ratios = room.ratio_db + rng.uniform(-6.0, 6.0, len(board) + 1)
    return [response(room._replace(ratio_db=float(ratio)), rng) for ratio in ratios]


def _few_resonances(room, board, rng):
    """Resonances of the room from 40 to 300 Hz, ever closer, each as loud as the tail nearby."""
    h = response(room, rng)
    t = np.arange(len(h)) / RATE
    for hz in 40.0 * np.cumsum(rng.uniform(0.3, 1.0, 12)) ** 0.8:
        level = np.sqrt(room.rest * 8.0 * LN_1000 / room.decay_time_s * 20.0) / RATE
        fall = np.exp(-LN_1000 * t / room.decay_time_s)
        h[1:] += (level * fall * np.cos(2 * np.pi * hz * t + rng.uniform(-np.pi, np.pi)))[1:]
    return h


def _late_tail(room, board, rng):
    """Nothing of the tail for 12 ms, the reflections of the plain room before it."""
    h = response(room._replace(early=0.3), rng)
    late = round(0.012 * RATE)
    return np.concatenate([h[: 2 * late], h[late:]]) * np.r_[1.0, np.full(len(h) + late - 1, 0.85)]


def _plain(room, board, rng):
    return response(room, rng)


BEYOND = {
    "the model's own": _plain,
    "each mode in its own way": _each_its_own_way,
    "few resonances": _few_resonances,
    "a late tail": _late_tail,
    "hum": _plain,
}


def beyond(rng, count: int) -> pd.DataFrame:
    """Rooms that break the model, one stroke each, at 5 to 30 dB."""
    rows = []
    for kind, made in BEYOND.items():
        for i in range(count):
            room = Room(float(rng.uniform(0.2, 0.8)), float(rng.uniform(5.0, 30.0)))
            board, noise_db = a_board(rng), drawn_noise(rng)
            found = measured([Stroke(board)], made(room, board, rng), rng, noise_db=noise_db,
                             hum=0.01 * (kind == "hum"))  # fmt: skip
            rows += rows_of(found, room, noise_db=noise_db, kind=kind, ratio=room.ratio_db,
                            decay_time=room.decay_time_s, case=i, place=0)  # fmt: skip
    return pd.DataFrame(rows)


def modes_of(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of modes, with what is judged."""
    modes = rows[rows["mode"] >= 0].copy()
    modes["found"] = modes["found"].astype(bool)
    of_found = ("hz", "u_hz", "loss", "u", "u_place", "misfit", "close")
    modes = modes.reindex(columns=[*modes.columns, *(c for c in of_found if c not in modes)])
    modes["off"] = modes["loss"] / modes["true_loss"] - 1.0
    modes["held"] = ~((modes["loss"] - modes["true_loss"]).abs() > Z95 * modes["u"])
    modes["held_hz"] = ~((modes["hz"] - modes["true_hz"]).abs() > Z95 * modes["u_hz"])
    modes["hidden"] = ~(Z95 * modes["u"] <= HIDDEN * modes["loss"])
    return modes


def means(modes: pd.DataFrame, by: list[str], *, shared: bool) -> pd.DataFrame:
    """The mean of each mode over all places (or, shared, over strokes at one), with its u."""
    found = modes[modes["found"]].copy()
    place = np.minimum(found["u_place"], found["u"])
    found["alone2"], found["place2"] = found["u"] ** 2 - place**2, place**2
    groups = found.groupby([*by, "mode"])
    mean = groups.agg(loss=("loss", "mean"), true_loss=("true_loss", "first"),
                      count=("loss", "size"), alone2=("alone2", "sum"), place2=("place2", "sum"),
                      lasts=("lasts", "first"), bound=("bound", "mean")).reset_index()  # fmt: skip
    alone, place = mean["alone2"] / mean["count"] ** 2, mean["place2"] / mean["count"]
    mean["u"] = np.sqrt(alone + (place if shared else place / mean["count"]))
    mean["found"], mean["hz"], mean["true_hz"], mean["u_hz"] = True, 1.0, 1.0, 1.0
    most = PLACES if not shared else 2
    return modes_of(mean[mean["count"] >= most])


def percent(hit: pd.Series) -> str:
    """Share of what is true."""
    return f"{100 * hit.mean():.1f} %" if len(hit) else "-"


def percent_off(ratios: pd.Series) -> str:
    """Median of ratios, as a difference from 1."""
    return f"{100 * (ratios.median() - 1):+.0f} %"


def judged(modes: pd.DataFrame) -> dict:
    """What the table of one cell shows of modes that were found."""
    found = modes[modes["found"]]
    shown = found[~found["hidden"]]
    return {
        "n": len(found),
        "covered": percent(found["held"]),
        "covered, shown": percent(shown["held"]),
        "hidden": percent(found["hidden"]),
        "within 10 %": percent(found["off"].abs() < 0.1),
        "shown within 10 %": percent(shown["off"].abs() < 0.1),
        "rms": f"{100 * np.sqrt(np.mean(found['off'] ** 2)):.1f} %" if len(found) else "-",
        "of bound": f"{np.sqrt(np.mean((found['off'] / found['bound']) ** 2)):.2f}"
        if len(found)
        else "-",
        "median of bound": f"{np.median((found['off'] / found['bound']).abs()) / 0.6745:.2f}"
        if len(found)
        else "-",
    }


def show(title: str, lines: dict) -> None:
    """One table."""
    print(f"\n{title}")
    print(pd.DataFrame(lines).T.to_string())


def print_worst(modes: pd.DataFrame, count: int = 6) -> None:
    """The numbers that would be printed and are farthest outside their intervals."""
    shown = modes[modes["found"] & ~modes["hidden"]]
    times = ((shown["loss"] - shown["true_loss"]).abs() / shown["u"]).sort_values(ascending=False)
    wanted = ("kind", "ratio", "decay_time", "case", "place", "stroke", "touched", "at_s",
              "true_hz", "true_loss", "lasts", "hz", "loss", "u", "u_place", "misfit",
              "close")  # fmt: skip
    worst = shown.loc[times.index[:count], [name for name in wanted if name in shown]]
    print("farthest from the truth, in u:")
    print(worst.assign(times_u=times.round(1)).to_string(index=False, float_format="%.4g"))


def print_places(rows: pd.DataFrame) -> None:
    """Ratio by ratio: one place and three."""
    strokes, modes = rows[rows["mode"] < 0], modes_of(rows)
    by = ["ratio", "decay_time", "case"]
    three = means(modes, by, shared=False)
    lines = {}
    for ratio in RATIOS_DB:
        all_modes, taps = modes[modes["ratio"] == ratio], strokes[strokes["ratio"] == ratio]
        kept = all_modes[all_modes["accepted"].astype(bool)]
        hz = kept[kept["found"]]
        lines[f"{ratio:g} dB"] = {
            "taps": len(taps),
            "refused": percent(~taps["accepted"].astype(bool)),
            "lost": percent(~kept["found"]),
            "lost, by energy": percent(~kept.loc[~kept["weak"].astype(bool), "found"]),
            "spurious a mode": f"{taps['spurious'].sum() / max(len(kept), 1):.3f}",
            "room told": percent(taps["told_db"].notna()),
            "ratio off": f"{(taps['told_db'] - ratio).median():.1f} dB",
            "its decay off": percent_off(taps["told_s"] / taps["decay_time"]),
            "hz off, median": f"{100 * (hz['hz'] / hz['true_hz'] - 1).abs().median():.4f} %",
            "hz off, 95 %": f"{100 * (hz['hz'] / hz['true_hz'] - 1).abs().quantile(0.95):.3f} %",
            "hz covered": percent(hz["held_hz"]),
            "s a tap": f"{taps['spent_s'].median():.2f}",
            "s at most": f"{taps['spent_s'].max():.2f}",
        }
    show("strokes by ratio (wanted: refused at most 2 %, lost and spurious at most 3 %)", lines)
    print(strokes.loc[~strokes["accepted"].astype(bool), "reason"].value_counts().to_string())
    for title, part in (("one place", modes), ("mean of three places", three)):
        show(f"{title}, loss factor by ratio (wanted: covered 90 to 98 %)",
             {f"{r:g} dB": judged(part[part["ratio"] == r]) for r in RATIOS_DB})  # fmt: skip
        by_time = {f"{t:g} s": judged(part[part["decay_time"] == t]) for t in DECAY_TIMES_S}
        show(f"{title}, loss factor by the room's decay time", by_time)
        long, loud = part["lasts"] >= AS_LONG, part["ratio"] >= 10
        cells = {
            "2.5 times the room, from 10 dB (wanted: within 10 % for 90 %)": loud & long,
            "1 to 2.5 times, from 10 dB": loud & ~long & (part["lasts"] >= 1),
            "less than the room, from 10 dB (wanted: rms 1.5 bounds)": loud & (part["lasts"] < 1),
            "all at 20 dB (three places wanted: within 10 % for 90 %)": part["ratio"] == 20,
        }
        lines = {name: judged(part[cell]) for name, cell in cells.items()}
        show(f"{title}, by how long a mode rings", lines)
    print_worst(modes)


def print_touched(rows: pd.DataFrame) -> None:
    """Kind by kind: refusals, and modes that miss."""
    strokes, modes = rows[rows["mode"] < 0], modes_of(rows)
    lines = {}
    for kind, part in strokes.groupby("kind", sort=False):
        mine = modes[(modes["kind"] == kind) & modes["found"]]
        bad, shown = mine["touched"].astype(bool), ~mine["hidden"]
        hit, ok = part["touched"].astype(bool), part["accepted"].astype(bool)
        lines[kind] = {
            "untouched refused": percent(~ok[~hit]),
            "touched refused": percent(~ok[hit]),
            "untouched miss": percent(~mine.loc[~bad, "held"]),
            "touched miss": percent(~mine.loc[bad, "held"]),
            "shown, touched miss": percent(~mine.loc[bad & shown, "held"]),
            "n": int(bad.sum()),
            "hz miss": percent(~mine["held_hz"]),
            "median touched off": f"{100 * mine.loc[bad, 'off'].median():.1f} %"
            if bad.any()
            else "-",
            "s a tap": f"{part['spent_s'].median():.2f}",
        }
    show("touches (wanted: untouched refused at most 2 %, touched miss at most 5 %)", lines)
    late = modes[modes["found"] & modes["touched"].astype(bool) & (modes["at_s"] > 0)]
    lines = {
        f"{kind}, {1000 * low:g} to {1000 * high:g} ms": {
            "n": len(part), "miss": percent(~part["held"]),
            "shown": percent(~part["hidden"]),
            "shown, miss": percent(~part.loc[~part["hidden"], "held"]),
        }
        for kind in ("bounce", "hand")
        for low, high in pairwise((0.004, 0.02, 0.06, 0.15, 0.5))
        for part in [late[late["kind"].str.contains(kind) & late["at_s"].between(low, high)]]
    }  # fmt: skip
    show("touched, by when", lines)
    print(strokes.groupby(["kind", "touched", "reason"], sort=False).size().to_string())
    print_worst(modes, 12)
    seen = strokes[strokes["signs"] != ""]
    print(seen.groupby(["kind", "touched", "signs"], sort=False).size().to_string())


def print_shared(rows: pd.DataFrame) -> None:
    """Each stroke, and the mean over those of one place."""
    modes = modes_of(rows)
    mean = means(modes, ["ratio", "decay_time", "case"], shared=True)
    show("four strokes at one place (wanted: covered 90 to 98 %)",
         {"each": judged(modes), "their mean": judged(mean)})  # fmt: skip


def print_doubled(rows: pd.DataFrame) -> None:
    """Of the two in place of one, and of the others."""
    modes, lines = modes_of(rows), {}
    for title, part in (("two for one", modes["doubled"]), ("others", ~modes["doubled"])):
        found = modes[part & modes["found"]]
        marked = (found["close"] | found["misfit"]).astype(bool)
        lines[title] = {
            "n": int(part.sum()),
            "found": percent(modes.loc[part, "found"]),
            "marked": percent(marked),
            "hidden": percent(found["hidden"]),
            "covered": percent(found["held"]),
            "shown, unmarked covered": percent(found.loc[~marked & ~found["hidden"], "held"]),
        }
    show("split modes, 0.3 to 2 bandwidths apart", lines)


def print_beyond(rows: pd.DataFrame) -> None:
    """Kind by kind."""
    strokes, modes = rows[rows["mode"] < 0], modes_of(rows)
    lines = {}
    for kind, part in strokes.groupby("kind", sort=False):
        mine = modes[(modes["kind"] == kind) & modes["accepted"].astype(bool)]
        lines[kind] = {
            "refused": percent(~part["accepted"].astype(bool)),
            "lost": percent(~mine["found"]),
            "spurious a mode": f"{part['spurious'].sum() / max(len(mine), 1):.3f}",
            **judged(mine),
        }
    show("rooms beyond the model, 5 to 30 dB", lines)
    print_worst(modes)


PARTS = {
    "places": lambda rng, count: print_places(places(rng, count)),
    "repeats": lambda rng, count: print_shared(one_place(rng, 3 * count)),
    "touches": lambda rng, count: print_touched(touched(rng, count)),
    "split": lambda rng, count: print_doubled(doubled(rng, 6 * count)),
    "beyond": lambda rng, count: print_beyond(beyond(rng, 3 * count)),
}


def main() -> None:
    """Simulate, analyse and print."""
    words = sys.argv[1:]
    numbers = [int(word) for word in words if word.isdigit()]
    seed = numbers[0] if numbers else SEED
    count = numbers[1] if len(numbers) > 1 else (10 if "large" in words else 1)
    usual = PARTS if "large" in words else [name for name in PARTS if name != "beyond"]
    for part in [name for name in PARTS if name in words] or usual:
        start = time.process_time()
        PARTS[part](np.random.default_rng(seed), count)
        print(f"\n{part}: {time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
