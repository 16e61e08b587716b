"""Which takes there are, in which order, on which day: the sheet takes.csv.

Two sittings, two boards of each wood in each. Within a sitting every board is mounted three times;
each round goes through all boards in a new random order, so that no wood is early or late. The
reference and the changed specimen take part in the first and the last round.

Contents: PlannedTake, planned_takes, BATCHES.
"""

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from .streams import stream
from .woods import Specimen

FUNDAMENTAL_HZ = 172.0
PROBES_HZ = (344.0, 516.0)
STEPS_DB = (-6.0, -12.0, -18.0)
SWEEP_DB = -20.0  # the sweep passes the driver's own resonance: it is driven lower
TAKES_PER_MOUNT, MOUNTS_PER_BOARD = 3, 3
STEPPED = ("L1", "C3")  # specimens with drive steps: a clean one, and the one that buzzes once
KNOCKED = ("R2", 1, 2)  # specimen, mount, repeat: a take spoilt at the bench and taken again
KNOCK_REASON = "somebody knocked the bench; taken again"
BESIDE = {"day1": ("L2", 1), "day2": ("R3", 1)}  # mount beside which the driver runs in the air
ODD = ("C3", 2)  # it buzzed to the ear: the tone in the air was recorded beside it as well
BATCHES = {"day1": datetime(2026, 3, 7, 9, 0), "day2": datetime(2026, 3, 14, 9, 0)}
CLIMATE = {"day1": (19.1, 52.0), "day2": (18.6, 47.0)}  # C and % at nine o'clock
TAKE_TIME, MOUNT_TIME = timedelta(seconds=50), timedelta(minutes=4)


@dataclass(frozen=True)
class PlannedTake:
    """One row of takes.csv, and what the simulation needs beside it."""

    take: str
    batch: str
    kind: str
    specimen: str = ""
    mount: int | None = None
    repeat: int = 1
    tone_hz: float | None = None
    drive_db: float = 0.0
    support: str = ""
    order: int = 0
    started: str = ""
    temperature_c: float = 0.0
    humidity_pct: float = 0.0
    mount_temperature_c: float = 20.0
    knocked: bool = field(default=False)

    @property
    def file(self) -> str:
        """Path of the recording inside the study folder."""
        return f"recordings/{self.batch}/{self.take}.flac"


def planned_takes(rails: tuple[Specimen, ...]) -> tuple[PlannedTake, ...]:
    """Every take of the study, by batch and in the order in which it was recorded."""
    takes: list[PlannedTake] = []
    for number, batch in enumerate(BATCHES):
        takes += _timed(batch, _sitting(batch, number, rails))
    return tuple(takes)


def _sitting(batch: str, number: int, rails: tuple[Specimen, ...]) -> list[list[dict]]:
    """The blocks of one sitting: controls first, then one block a mount, in order."""
    boards = [r.name for r in rails if not r.role and (int(r.name[1:]) - 1) // 2 == number]
    guards = [r.name for r in rails if r.role]
    rng = stream(f"order {batch}")
    blocks = [_controls(batch)]
    for turn in range(MOUNTS_PER_BOARD):
        mounts = dict.fromkeys(boards, turn + 1)
        if turn in (0, MOUNTS_PER_BOARD - 1):
            mounts |= dict.fromkeys(guards, 2 * number + (1 if turn == 0 else 2))
        names = sorted(mounts)
        for name in rng.permutation(names).tolist():
            blocks.append(_mount_block(batch, name, mounts[name]))
    loose = dict.fromkeys(boards, MOUNTS_PER_BOARD + 1)
    loose |= dict.fromkeys(guards, 5) if batch == list(BATCHES)[-1] else {}
    for name in rng.permutation(sorted(loose)).tolist():
        free = {"kind": "tap", "specimen": name, "mount": loose[name], "support": "free"}
        blocks.append([free | {"take": f"{name}-m{loose[name]}-free-r1"}])
    return blocks


def _controls(batch: str) -> list[dict]:
    rows = [{"take": f"{batch}-room-r1", "kind": "room"}]
    tones = (FUNDAMENTAL_HZ, *PROBES_HZ)
    for kind, label in (("loopback", "loopback"), ("driver", "block")):
        for hz in tones:
            rows.append({"take": f"{batch}-{label}{hz:.0f}-r1", "kind": kind, "tone_hz": hz})
    for step in STEPS_DB:
        name = f"{batch}-block{FUNDAMENTAL_HZ:.0f}-down{-step:02.0f}-r1"
        row = {"take": name, "kind": "driver", "tone_hz": FUNDAMENTAL_HZ, "drive_db": step}
        rows.append(row)
    return rows


def _mount_block(batch: str, name: str, mount: int) -> list[dict]:
    """All takes of one mount: tones, probe tones, steps, sweep, tap, and the air beside it."""
    stem = f"{name}-m{mount}"
    f0 = FUNDAMENTAL_HZ
    rows = []
    for repeat in range(1, TAKES_PER_MOUNT + 1):
        label = f"{stem}-tone{f0:.0f}-r{repeat}"
        row = {"take": label, "kind": "tone", "tone_hz": f0, "repeat": repeat}
        if (name, mount, repeat) == KNOCKED:
            rows += [row | {"knocked": True}, row | {"take": f"{label}-again"}]
        else:
            rows.append(row)
    for hz in PROBES_HZ:
        rows.append({"take": f"{stem}-tone{hz:.0f}-r1", "kind": "tone", "tone_hz": hz})
    for step in STEPS_DB if name in STEPPED else ():
        label = f"{stem}-tone{f0:.0f}-down{-step:02.0f}-r1"
        rows.append({"take": label, "kind": "tone", "tone_hz": f0, "drive_db": step})
    rows.append({"take": f"{stem}-sweep-r1", "kind": "sweep", "drive_db": SWEEP_DB})
    rows.append({"take": f"{stem}-tap-r1", "kind": "tap"})
    if BESIDE[batch] == (name, mount):
        for hz in (f0, *PROBES_HZ):
            rows.append({"take": f"{stem}-air{hz:.0f}-r1", "kind": "airborne", "tone_hz": hz})
    return [row | {"specimen": name, "mount": mount} for row in rows]


def _timed(batch: str, blocks: list[list[dict]]) -> list[PlannedTake]:
    """Order, clock, temperature and humidity for every row of one sitting."""
    rng = stream(f"climate {batch}")
    start, (warmth, damp) = BATCHES[batch], CLIMATE[batch]
    clock, out = start, []
    for block in blocks:
        clock += MOUNT_TIME + timedelta(seconds=float(rng.integers(0, 120)))
        at_mount = None
        for row in block:
            hours = (clock - start) / timedelta(hours=1)
            rise = 2.2 * (1 - np.exp(-hours / 3.0))
            temperature = round(float(warmth + rise + 0.06 * rng.standard_normal()), 1)
            humidity = round(float(damp - 1.8 * rise + 0.3 * rng.standard_normal()), 1)
            at_mount = temperature if at_mount is None else at_mount
            out.append(
                PlannedTake(
                    batch=batch,
                    order=len(out) + 1,
                    started=clock.isoformat(timespec="seconds"),
                    temperature_c=temperature,
                    humidity_pct=humidity,
                    mount_temperature_c=at_mount,
                    **row,
                )
            )
            clock += TAKE_TIME
    return _with_odd(out)


def _with_odd(takes: list[PlannedTake]) -> list[PlannedTake]:
    """The takes of a sitting, with the airborne tone beside the mount that sounded odd."""
    after = [i for i, take in enumerate(takes) if (take.specimen, take.mount) == ODD]
    if after:
        last = takes[after[-1]]
        started = datetime.fromisoformat(last.started) + TAKE_TIME
        name = "{}-m{}-air{:.0f}-r1".format(*ODD, FUNDAMENTAL_HZ)
        air = replace(last, take=name, kind="airborne", tone_hz=FUNDAMENTAL_HZ,
                      started=started.isoformat(timespec="seconds"))  # fmt: skip
        takes = [*takes[: after[-1] + 1], air, *takes[after[-1] + 1 :]]
    return [replace(take, order=number) for number, take in enumerate(takes, start=1)]
