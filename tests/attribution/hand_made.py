"""Takes written down by hand, for tests whose truth can be worked out on paper.

A `Bench` collects takes at complex amplitudes and gives the table of harmonics and the rows of
takes.csv that `attribute` wants. Noise is stated, not drawn: amplitudes are exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studylib.attribution import Attribution, attribute
from studylib.attribution.board_facts import BoardFacts
from studylib.sheets import Take
from studylib.tables import TABLES

TONE_HZ = 172.0
U = 1e-6  # standard uncertainty of every amplitude, re full scale
SECONDS = 0.8


@dataclass
class Bench:
    """Takes of one study; amplitudes re full scale, K harmonics."""

    size: int = 4
    sensed: bool = True
    u: float = U
    offset_db: float = 0.0
    takes: list[Take] = field(default_factory=list)
    rows: list[tuple] = field(default_factory=list)

    def add(
        self,
        kind: str,
        response,
        drive=None,
        *,
        k: int = 1,
        specimen: str | None = None,
        mount: int | None = None,
        repeat: int = 1,
        batch: str = "day1",
        drive_db: float = 0.0,
        usable: bool = True,
        apart: float = 0.0,
        u: float | None = None,
        gain_db: float = 0.0,
    ) -> None:
        """One take. Amplitudes at the bench's gain: one for each harmonic, or one of a probe tone.

        k : the multiple of the tone;  apart : relative distance from that frequency.
        """
        name = f"take{len(self.takes)}"
        tone_hz = None if kind in ("room", "sweep") else TONE_HZ * k
        self.takes.append(
            Take.model_construct(
                take=name, batch=batch, kind=kind, specimen=specimen, mount=mount, repeat=repeat,
                tone_hz=tone_hz, drive_db=drive_db, gain_db=gain_db, support="bench", exclude=False,
                order=None, started=None,
            )
        )  # fmt: skip
        response = np.atleast_1d(np.asarray(response, dtype=complex))
        drive = (
            np.full(response.size, np.nan + 0j)
            if drive is None
            else np.atleast_1d(np.asarray(drive, dtype=complex))
        )
        u = self.u if u is None else u
        for i in range(response.size):
            multiple = k if response.size == 1 else i + 1
            self.rows.append(
                (
                    name, multiple, TONE_HZ * multiple * (1 + apart), SECONDS,
                    response[i].real, response[i].imag, u, drive[i].real, drive[i].imag, u,
                    64, self.offset_db, "dB re full scale", usable, 0.0, 0.01,
                )
            )  # fmt: skip

    def table(self) -> pd.DataFrame:
        return pd.DataFrame(self.rows, columns=TABLES["harmonics"].names)

    def attribute(self, boards: dict[str, BoardFacts] | None = None) -> Attribution:
        return attribute(
            self.table(),
            self.takes,
            fundamental_hz=TONE_HZ,
            harmonics_kept=self.size,
            sensed=self.sensed,
            boards=boards,
        )


# What the driver does at the driving point, and what the board passes on: K = 4.
DRIVE = np.array([0.2, 2e-3j, -1e-3, 4e-4 + 3e-4j])
PASSES = np.array([0.5, 0.2 + 0.1j, -0.3j, 0.4])
REPEATS = (1.0, 1.01, 0.99)  # takes of one mount: 1 % apart


def linear_mount(
    bench: Bench,
    specimen: str = "larch1",
    mount: int = 1,
    *,
    extra=0.0,
    passes=PASSES,
    probes: tuple[int, ...] = (2, 3, 4),
    batch: str = "day1",
    repeats: tuple[float, ...] = REPEATS,
) -> None:
    """Tone repeats and probe tones of a linear board; `extra` is added to the response."""
    at = {"specimen": specimen, "mount": mount, "batch": batch}
    size = bench.size
    for number, factor in enumerate(repeats, start=1):
        heard = factor * (passes[:size] * DRIVE[:size] + np.asarray(extra))
        bench.add("tone", heard, DRIVE[:size] if bench.sensed else None, repeat=number, **at)
    for k in probes:
        drive = 0.1 if bench.sensed else None
        bench.add("tone", passes[k - 1] * 0.1, drive, k=k, **at)


def controls(bench: Bench, *, batch: str = "day1", leave_out: tuple[str, ...] = ()) -> None:
    """Room, loopback, airborne and driver takes that find next to nothing."""
    size = bench.size
    if "room" not in leave_out:
        bench.add("room", np.zeros(size), batch=batch)
    if "loopback" not in leave_out:
        own = np.r_[0.2, np.full(size - 1, 0.1 * bench.u)]
        bench.add("loopback", own, batch=batch)
    if "airborne" not in leave_out:
        for mount in (1, 2):
            in_the_air(bench, np.full(size, 1e-5), 0.1, mount=mount, batch=batch)
    if "driver" not in leave_out:
        for k in range(2, size + 1):
            bench.add("driver", 0.05, 0.1 if bench.sensed else None, k=k, batch=batch)
        bench.add("driver", 0.5 * DRIVE[:size], DRIVE[:size] if bench.sensed else None, batch=batch)


def in_the_air(
    bench: Bench,
    heard,
    drive: float,
    *,
    mount: int = 1,
    batch: str = "day1",
    u: float | None = None,
) -> None:
    """Airborne takes of the multiples, heard at full drive (K,) beside so much motion, and of the
    tone: its harmonics, as strong as on a board, are passed on as those tones are."""
    at = {"specimen": "larch1", "mount": mount, "batch": batch}
    heard = np.asarray(heard, dtype=float)
    for k in range(2, bench.size + 1):
        bench.add("airborne", heard[k - 1], drive if bench.sensed else None, k=k, u=u, **at)
    own = DRIVE[: bench.size]
    bench.add("airborne", heard / drive * own, own if bench.sensed else None, **at)


def other_boards(bench: Bench, *, batch: str = "day1", count: int = 5) -> None:
    """Linear boards beside the one in question, each mounted twice."""
    for number in range(1, count + 1):
        for mount in (1, 2):
            linear_mount(bench, f"{batch}-other{number}", mount=mount, batch=batch)


def silent_step(bench: Bench, specimen: str = "larch1", mount: int = 1, **more) -> None:
    """A drive step at which the board is linear: whatever it added at full drive is gone."""
    low = DRIVE[: bench.size] * 0.5 ** np.arange(1, bench.size + 1)
    at = {"specimen": specimen, "mount": mount, "drive_db": -6.0206, **more}
    bench.add("tone", PASSES[: bench.size] * low, low, **at)


def row(found: Attribution, harmonic: int, specimen: str = "larch1", mount: int = 1):
    """One row of the table."""
    table = found.table
    rows = table[
        (table["specimen"] == specimen)
        & (table["mount"] == mount)
        & (table["harmonic"] == harmonic)
    ]
    return next(rows.itertuples())
