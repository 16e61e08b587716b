"""Bars and studies with a known truth, for the tests of the wood."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from studylib.sheets import Study, read_study
from studylib.wood import beams
from studylib.wood.beams import Bar

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "tests" / "reference"

# Relative standard uncertainties of length, width, thickness and mass of a rail.
RAIL_U = (0.5 / 745, 0.05 / 38, 0.05 / 18, 0.1 / 290)


def reference(name: str) -> pd.DataFrame:
    """A reference CSV without its comment lines."""
    return pd.read_csv(REFERENCE / name, comment="#")


def rail(density: float = 570.0, *, length=0.745, width=0.038, thickness=0.018, u=RAIL_U) -> Bar:
    """A bar of the demo's size with this density in kg/m3."""
    return Bar(length, width, thickness, density * length * width * thickness, u)


def modes_of(bar: Bar, *, gpa: float, shear_ratio: float, count: int = 6) -> np.ndarray:
    """Bending frequencies in Hz across the thickness."""
    return beams.bending_frequencies(
        youngs_modulus=gpa * 1e9,
        shear_ratio=shear_ratio,
        density=bar.density,
        length=bar.length,
        thickness=bar.thickness,
        count=count,
    )


def sideways(bar: Bar, *, gpa: float, shear_ratio: float, count: int = 3) -> np.ndarray:
    """Bending frequencies in Hz across the width."""
    turned = replace(bar, width=bar.thickness, thickness=bar.width)
    return modes_of(turned, gpa=gpa, shear_ratio=shear_ratio, count=count)


@lru_cache(maxsize=1)
def demo() -> Study:
    """The invented demo study."""
    return read_study(ROOT / "data_demo")


def demo_truth() -> pd.DataFrame:
    """The demo's true boards, by specimen."""
    return pd.read_csv(ROOT / "data_demo" / "truth" / "boards.csv").set_index("specimen")


def with_specimens(study: Study, **changes: dict) -> Study:
    """The study with some specimens' fields changed: `L1={"mass_g": None}`."""
    specimens = tuple(s.model_copy(update=changes.get(s.specimen, {})) for s in study.specimens)
    return replace(study, specimens=specimens)


def with_wood(study: Study, **keys) -> Study:
    """The study with other settings under [wood]."""
    wood = study.settings.wood.model_copy(update=keys)
    return replace(study, settings=study.settings.model_copy(update={"wood": wood}))


def with_drive(study: Study, kind: str | None, **bench) -> Study:
    """The study with another kind of drive channel, or none, and other settings under [bench]."""
    drive = {"drive": None if kind is None else 2, "drive_kind": kind}
    changed = {
        "channels": study.settings.channels.model_copy(update=drive),
        "bench": study.settings.bench.model_copy(update=bench),
    }
    return replace(study, settings=study.settings.model_copy(update=changed))


def board_modes(study: Study, truth: pd.DataFrame, *, supports=("free",)) -> pd.DataFrame:
    """The true free modes of every board as the table of the boards' modes."""
    rows = [
        (
            s.specimen, s.wood, s.role, support, n,
            truth.loc[s.specimen, f"free_mode{n}_hz"],
            1e-4 * truth.loc[s.specimen, f"free_mode{n}_hz"],
            truth.loc[s.specimen, f"loss_factor{n}"],
            0.02 * truth.loc[s.specimen, f"loss_factor{n}"],
            "",
        )
        for s in study.specimens
        for support in supports
        for n in range(1, 7)
    ]  # fmt: skip
    columns = [
        "specimen", "wood", "role", "support", "mode",
        "frequency_hz", "frequency_u", "loss_factor", "loss_factor_u", "reason",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def numbered_modes(study: Study, truth: pd.DataFrame, *, taps: int = 3) -> pd.DataFrame:
    """The same as modes of single taps, in the mount in which each board was tapped free."""
    mount = {t.specimen: t.mount for t in study.takes if t.support == "free"}
    table = board_modes(study, truth)
    table = table.assign(mount=table["specimen"].map(mount), usable=True, kind="tap", place=1)
    table = table.assign(take=table["specimen"] + "-free", level_db=-30.0, loss_factor_place_u=0.0)
    return pd.concat([table.assign(tap=tap) for tap in range(1, taps + 1)], ignore_index=True)
