"""Rivals that lie in how boards were set up and driven: the mounting, the level, drift.

The spread between mounts is that of the variance table, the difference beside it that of the table
of effects. Levels of the drive are those of the sensed tone at full drive, re full scale; where
they differ visibly between woods, `stats.caveats` says so, and drift is told by `stats.drift`: here
and beside the verdicts stands one and the same result.

Functions: mounting, level, drift.
"""

from collections import Counter

import numpy as np

from studylib.codes import attribution, code_of, note
from studylib.register import find
from studylib.report.rivals.basis import (
    Basis,
    Finding,
    board_takes,
    no_tone,
    record,
    reported_spread,
    untested,
)
from studylib.stats.caveats import Caveats, follows_level, relative_to_drive

# ---------------------------------------------------------------- mounting


def mounting(basis: Basis) -> Finding:
    """How a board sits on the bench."""
    mounts = {(t.specimen, t.mount) for t in board_takes(basis) if t.kind == "tone"}
    each = Counter(specimen for specimen, _ in mounts)
    spread = basis.summary.comparison.variance
    spread = spread[(spread["level"] == "mount") & spread["feature"].isin(basis.features)]
    said = [_mount_spread(basis, row) for row in spread.itertuples() if row.variance >= 0]
    gap = record(basis, attribution.Control.REMOUNT) if board_takes(basis) else no_tone(basis)
    return Finding(
        "rivals.mounting",
        note(
            "rivals.by_mounting",
            least=min(each.values(), default=0),
            most=max(each.values(), default=0),
            boards=len(each),
        ),
        [*said, note("rivals.spread_kept")] if said else [gap],
    )


def _mount_spread(basis: Basis, row) -> str:
    effects = basis.summary.comparison.effects
    own = effects[(effects["feature"] == row.feature) & np.isfinite(effects["difference"])]
    widest = own.loc[own["difference"].abs().nlargest(1).index]
    pairs = widest[["wood_a", "wood_b", "difference", "low", "high"]].to_dict("records")
    return note(
        "rivals.mount_spread",
        feature=row.feature,
        **reported_spread(row, find(row.feature)),
        widest=(*pairs, {})[0],
    )


# ---------------------------------------------------------------- level


def level(basis: Basis) -> Finding:
    """A harder drive or a higher gain for some boards."""
    takes = [take for take in board_takes(basis) if take.kind == "tone"]
    return Finding(
        "rivals.level",
        note(
            "rivals.by_level",
            drive_kind=basis.drive_kind,
            gains=sum(take.gain_db != 0 for take in takes),
            drives=sum(take.drive_db != 0 for take in takes),
            takes=len(takes),
        ),
        _level_says(basis),
    )


def _level_says(basis: Basis) -> list[str]:
    caveats = basis.summary.comparison.workings.caveats
    if caveats.made.drive.empty:
        return [no_tone(basis) if basis.drive_kind else record(basis, attribution.Control.SENSOR)]
    cancels = [name for name in basis.features if relative_to_drive(find(name))]
    stays = [name for name in basis.features if follows_level(find(name))]
    return [
        _cancels(caveats, cancels) if cancels else "",
        note("rivals.level_stays", features=stays) if stays else "",
        _level_gap(caveats),
        "" if basis.sensed else note("rivals.voltage"),
    ]


def _cancels(caveats: Caveats, features: list[str]) -> str:
    """The drive cancels in a response, unless the channel itself may have changed with the wood."""
    steps = [abs(step.size) for pair in caveats.gaps if (step := caveats.common_step(*pair))]
    return (
        note("rivals.level_unless", features=features, size_db=max(steps))
        if steps
        else note("rivals.level_cancels", features=features)
    )


def _level_gap(caveats: Caveats) -> str:
    """The two woods of which the tone's own drive lies farthest apart; "" where none is known."""
    gaps = {pair: of[1] for pair, of in caveats.gaps.items() if 1 in of}
    if not gaps:
        return ""
    (a, b), gap = max(gaps.items(), key=lambda item: abs(item[1].size))
    higher, lower = (b, a) if gap.size > 0 else (a, b)
    return note(
        "rivals.level_gap", higher=higher, lower=lower, difference_db=abs(gap.size), u_db=gap.u
    )


# ---------------------------------------------------------------- drift


def drift(basis: Basis) -> Finding:
    """The bench, the air or the driver changing while boards come and go."""
    names = [s.specimen for s in basis.summary.study.specimens if s.role == "reference"]
    takes = [t for t in basis.takes if t.specimen in names and t.kind == "tone"]
    steadiness = basis.summary.comparison.workings.caveats.steadiness
    found = [one for feature, one in steadiness.items() if feature in basis.features]
    notes = [each for one in found for each in one.notes]
    trend = any(code_of(each) in ("drift.change", "drift.none_larger") for each in notes)
    tested_by = note(
        "rivals.by_drift",
        references=names,
        mounts=len({(t.specimen, t.mount) for t in takes}),
        batches=len({t.batch for t in takes}),
        trend=trend,
    )
    if any(one.known for one in found):
        return Finding("rivals.drift", tested_by, [*notes, note("rivals.drift_limit")])
    wanted = note("rivals.record_reference", references=names)
    asked_for = note("rivals.jump", what=wanted) if trend else untested(wanted)
    return Finding("rivals.drift", tested_by, [asked_for, *notes])
