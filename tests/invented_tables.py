"""Invented measurements of fretboard rails, with the truth stated, as tables.

No audio: the tables have the shapes that the measurement leaves, so that figures and sentences
can be tested on studies of any size. Everything here is made up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from studylib import register
from studylib.modes.gathered import Gathered, with_numbers
from studylib.sheets import Specimen, Study
from studylib.sheets.settings import Channels, Claim, Decide, Settings, StudySection, Tone
from studylib.tables import TABLES, empty

# What a batch leaves behind of its modes: all but their numbers.
MODE_COLUMNS = [name for name in TABLES["modes"].names if name != "mode"]
CHECKS = ("clipping", "dc", "hum", "noise_floor", "snr_h1", "snr_h2", "snr_h3")
FEATURES = ("tone.h1.level_db", "tone.h2.rel_db", "tone.h3.rel_db", "tone.thd_percent")


@dataclass(frozen=True)
class InventedStudy:
    """What the summary asks of a study, without a folder behind it."""

    settings: Settings
    specimens: tuple
    takes: tuple
    batches: tuple[str, ...]
    woods: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    name: str = "invented"
    planned: tuple = ()
    schedules: tuple = ()
    blinding: tuple = ()
    coded: bool = False
    locks: tuple = ()
    semicolons: bool = False
    stages: tuple[int, ...] = (1,)

    def of_stages(self, *_):
        return self

    def with_role(self, role: str) -> tuple:
        return tuple(s for s in self.specimens if s.role == role)

    def boards_recorded(self, **_):
        return {}

    takes_on = Study.takes_on

    lock: None = None
    looks: int = 1
    folder: Path = Path("invented")

    @property
    def compared(self):
        return self

    changed_since_lock: tuple = ()

    def specimen(self, name: str):
        return next(s for s in self.specimens if s.specimen == name)

    def specimen_table(self) -> pd.DataFrame:
        columns = ("specimen", "wood", "source", "source_assumed", "role")
        return pd.DataFrame(
            [[getattr(s, c) for c in columns] for s in self.specimens], columns=list(columns)
        )


@dataclass
class Invention:
    """A plan of a study and its truth; `make` gives (study, gathered).

    Truth, in dB: `steps` is what each wood adds to `tone.h3.rel_db` (no other feature differs
    between woods); spreads between boards, mounts and takes as standard deviations; the changed
    specimen lies `change` above the reference on every level.
    """

    woods: tuple[str, ...] = ("larch", "cherry", "robinia")
    boards: int = 4
    mounts: int = 3
    takes: int = 3
    steps: dict[str, float] = field(default_factory=dict)
    board_sd: float = 1.5
    mount_sd: float = 1.0
    take_sd: float = 0.5
    change: float = 6.0
    batches: tuple[str, ...] = ("morning", "afternoon")
    control: bool = True
    primary: tuple[str, ...] = ("tone.h1.level_db", "tone.h3.rel_db")
    limits: dict = field(default_factory=lambda: {"tone.h3.rel_db": 1.0})
    claims: tuple[Claim, ...] = ()
    kind: str = "microphone"
    seed: int = 172
    step_hz: float = 1.25  # between the lines of a spectrum

    def make(self):
        rng = np.random.default_rng(self.seed)
        specimens = self._specimens()
        takes, features, quality, spectra = [], [], [], []
        for specimen in specimens:
            base = {f: rng.normal(0.0, self.board_sd) for f in FEATURES}
            for mount in range(1, self.mounts + 1):
                moved = {f: base[f] + rng.normal(0.0, self.mount_sd) for f in FEATURES}
                for repeat in range(1, self.takes + 1):
                    take = _take(specimen, mount, repeat, self._batch(specimen))
                    takes.append(take)
                    noise = {f: rng.normal(0.0, self.take_sd) for f in FEATURES}
                    features += [
                        self._row(take, specimen, f, moved[f] + noise[f]) for f in FEATURES
                    ]
                    quality += [_check(take.take, c, "pass") for c in (*CHECKS, "take")]
            spectra.append(_spectrum(specimen, rng, self.step_hz))
        study = InventedStudy(
            settings=Settings(
                study=StudySection(title="Invented rails", question="Does the wood matter?"),
                channels=Channels(response_kind=self.kind),
                tone=Tone(),
                decide=Decide(primary=self.primary, limits=self.limits),
                claim=self.claims,
            ),
            specimens=tuple(specimens),
            takes=tuple(takes),
            batches=self.batches,
            woods=self.woods,
        )
        rows, modes, boards = with_numbers(
            study, pd.DataFrame(features), pd.DataFrame(columns=MODE_COLUMNS)
        )
        gathered = Gathered(
            quality=pd.DataFrame(quality),
            features=rows,
            spectra=pd.concat(spectra, ignore_index=True),
            harmonics=pd.DataFrame(columns=TABLES["harmonics"].names),
            modes=modes,
            curves=empty("curves"),
            bench=pd.DataFrame(columns=["batch", "item", "value"]),
            board_modes=boards,
        )
        return study, gathered

    def _specimens(self) -> list:
        own = [
            _specimen(f"{wood if len(wood) < 12 else f'{wood[:18]} {place}'}-{board}", wood, "")
            for (place, wood), board in product(enumerate(self.woods), range(1, self.boards + 1))
        ]
        if self.control:
            own += [_specimen("ref", self.woods[0], "reference")]
            own += [_specimen("ref-plus-7g", self.woods[0], "changed")]
        return own

    def _batch(self, specimen) -> str:
        """Boards go to the batches in turn; reference and changed stay in the first."""
        if specimen.role:
            return self.batches[0]
        return self.batches[int(specimen.specimen.rsplit("-", 1)[1]) % len(self.batches)]

    def _row(self, take, specimen, feature: str, deviation: float) -> dict:
        known = register.find(feature)
        if feature == "tone.h3.rel_db" and not specimen.role:
            deviation += self.steps.get(specimen.wood, 0.0)
        if specimen.role == "changed":
            deviation += self.change
        value = -20.0 + deviation
        if known.scale == "log":
            value = 2.0 * np.exp(0.05 * deviation)
        return {
            "id": f"{take.take}/{feature}",
            "take": take.take,
            "batch": take.batch,
            "kind": "tone",
            "specimen": specimen.specimen,
            "wood": specimen.wood,
            "mount": take.mount,
            "repeat": take.repeat,
            "feature": feature,
            "value": value,
            "unit": known.unit,
            "u": 0.05,
            "usable": True,
            "reason": "",
        }


def _specimen(name: str, wood: str, role: str) -> Specimen:
    # Not validated: figures are tried with names that a sheet would not let pass.
    return Specimen.model_construct(
        specimen=name, wood=wood, source=name, source_assumed=False, role=role, row=0
    )


def _take(specimen, mount: int, repeat: int, batch: str) -> SimpleNamespace:
    return SimpleNamespace(
        take=f"{specimen.specimen}-m{mount}-t{repeat}",
        batch=batch,
        kind="tone",
        specimen=specimen.specimen,
        mount=mount,
        repeat=repeat,
        tone_hz=172.0,
        drive_db=0.0,
        gain_db=0.0,
        temperature_c=None,
        humidity_pct=None,
        order=None,
        started=None,
        support="bench",
        place=1,
        turned=False,
        moved_mm=None,
        mic_times=None,
        is_test=False,
        exclude=False,
        reason="",
    )


def _check(take: str, check: str, verdict: str) -> dict:
    return {
        "take": take,
        "channel": "" if check == "take" else "response",
        "check": check,
        "value": 1.0,
        "unit": "",
        "limit": 2.0,
        "source": "",
        "verdict": verdict,
    }


def _spectrum(specimen, rng: np.random.Generator, step_hz: float) -> pd.DataFrame:
    frequency = np.arange(step_hz, 8000.0, step_hz)
    level = -90.0 + rng.normal(0.0, 3.0, frequency.size)
    for k in range(1, 13):
        level[np.argmin(np.abs(frequency - 172.0 * k))] = -20.0 - 4.0 * k
    return pd.DataFrame(
        {
            "take": f"{specimen.specimen}-m1-t1",
            "specimen": specimen.specimen,
            "wood": specimen.wood,
            "mount": 1,
            "frequency_hz": frequency,
            "level_db": level,
        }
    )
