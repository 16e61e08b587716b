"""The wood itself, for the reader: density, stiffness and what follows, with what they rest on.

Functions: wood_sentences, properties_table, isotropic_sentence.
"""

from __future__ import annotations

import pandas as pd

from studylib.report.summary import Summary
from studylib.words.numbers import MISSING, counted, with_uncertainty

COLUMNS = {
    "wood.density_kg_m3": ("density kg/m³", 1.0),
    "wood.youngs_modulus_gpa": ("Young's modulus GPa", 1.0),
    "shear_ratio": ("E over G", 1.0),
    "wood.sound_speed_m_s": ("sound m/s", 1.0),
    "wood.radiation_m4_kg_s": ("radiation m⁴/(kg s)", 1.0),
    "wood.impedance_pa_s_m": ("impedance MPa s/m", 1e-6),
    "wood.loss_factor": ("loss factor", 1.0),
    "youngs_modulus_isotropic_gpa": ("E after E1876 GPa", 1.0),
}
MODULUS, ISOTROPIC = "wood.youngs_modulus_gpa", "youngs_modulus_isotropic_gpa"


def properties_table(wood: pd.DataFrame) -> pd.DataFrame:
    """One row a board: each property with its standard uncertainty behind ±.

    Parameters
    ----------
    wood : the table `wood`.
    """
    names = [q for q in COLUMNS if (wood["quantity"] == q).any()]
    by_board = wood[wood["quantity"].isin(names)].set_index(["specimen", "quantity"])
    rows = []
    for (specimen, species), _ in wood.groupby(["specimen", "wood"], sort=False):
        row = {"board": specimen, "wood": species}
        for name in names:
            title, factor = COLUMNS[name]
            known = (specimen, name) in by_board.index
            cell = by_board.loc[(specimen, name)] if known else None
            row[title] = (
                with_uncertainty(float(cell["value"]) * factor, float(cell["u"]) * factor)
                if known
                else MISSING
            )
        rows.append(row)
    return pd.DataFrame(rows, columns=["board", "wood", *(COLUMNS[q][0] for q in names)])


def wood_sentences(summary: Summary) -> list[str]:
    """What the numbers rest on, what to look at first, and what they cannot say."""
    wood = summary.modes.wood
    known = wood[(wood["quantity"] == MODULUS) & wood["value"].notna()]
    said = []
    if known.empty:
        said.append(
            "Stiffness is not known: it needs length, width, thickness and mass of a board, and "
            "taps of it freely hung (support free in takes.csv), with driver and sensor off."
        )
    else:
        said.append(
            f"Stiffness of {counted(known['specimen'].nunique(), 'board')}, from taps of the "
            "freely hung boards alone: a bar that bends, shears and turns (Timoshenko), laid "
            "through all its bending modes at once. The figure behind ± is one standard "
            "uncertainty: of sizes, mass, frequencies and of how unevenly the wood is grown. That "
            "of the loss factor is of these taps only: to hang a board anew moves it by more."
        )
    said += [*_moisture(wood), *summary.modes.warnings]
    if not known.empty:
        said += isotropic_sentence(wood)
        said.append(
            "What this cannot say: it is stiffness along the grain, of these boards, at their "
            "moisture; and a few boards are not a species."
        )
    return said


def _moisture(wood: pd.DataFrame) -> list[str]:
    """The boards' moisture beside what the air of the takes would settle it at."""
    parts = []
    for name, said in (
        ("moisture_pct", "as measured"),
        ("equilibrium_moisture_pct", "as the air would have it, given weeks (Wood Handbook)"),
    ):
        values = wood.loc[wood["quantity"] == name, "value"].dropna()
        if len(values):
            parts.append(f"{values.min():.1f} to {values.max():.1f} % {said}")
    return [f"Moisture of the boards: {'; '.join(parts)}."] if parts else []


def isotropic_sentence(wood: pd.DataFrame) -> list[str]:
    """How far the rule for isotropic bars is off."""
    values = wood[wood["quantity"].isin([MODULUS, ISOTROPIC])]
    both = values.pivot_table(index="specimen", columns="quantity", values="value").dropna()
    if both.empty or both.shape[1] < 2:
        return []
    off = 100 * (both[ISOTROPIC] / both[MODULUS] - 1).mean()
    word = "lower" if off < 0 else "higher"
    return [
        f"The rule for isotropic bars (ASTM E1876, first mode alone) gives {abs(off):.1f} % {word} "
        "values on average: its correction for thickness is made for metals and leaves out how "
        "much wood shears. It stands beside, for whoever compares with other tables."
    ]
