"""Study folders that are filled in but not recorded yet: rails of three woods, invented."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

TOML = """
[study]
title = "Rails to be recorded"
question = "Does the wood of the rail change what reaches the far end?"
[channels]
drive = 2
drive_kind = "acceleration"
rate_hz = 48000
[sweep]
lowest_hz = 60.0
highest_hz = 8000.0
length_s = 5.0
[decide]
primary = ["tone.h1.response_db", "probe.k3.response_db"]
[decide.limits]
"tone.h1.response_db" = 1.0
[[claim]]
text = "Larch passes more of the tone than robinia"
feature = "tone.h1.response_db"
higher = "larch"
lower = "robinia"
[plan]
seed = 172
"""
HEADER = "specimen,wood,source,length_mm,width_mm,thickness_mm,mass_g,moisture_pct,grain,role,note"
TAKES = (
    "take,batch,kind,specimen,mount,repeat,file,order,tone_hz,drive_db,gain_db,support,place,turned,"
    "moved_mm,mic_times,started,temperature_c,humidity_pct,exclude,reason"
)


def boards(
    counts: dict[str, int], *, per_plank: int = 1, roles: Sequence[str] = ("reference", "changed")
) -> list[str]:
    """Rows of specimens.csv: so many boards of each wood, then the reference and the changed."""
    rows = []
    for wood, count in counts.items():
        for i in range(count):
            plank = f"{wood} plank {i // per_plank + 1}"
            rows.append(f"{wood[0].upper()}{i + 1},{wood},{plank},745,38,18,{250 + i},9,rift,,fine")
    rows += [f"{role[:3].upper()},cherry,,745,38,18,281,9,,{role}," for role in roles]
    return rows


def write_planned(
    folder: Path,
    *,
    counts: dict[str, int] | None = None,
    toml: str = TOML,
    rows: Sequence[str] | None = None,
    takes: str = TAKES,
) -> Path:
    """Write the three sheets, takes.csv with its header only, and an empty recordings/."""
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    rows = boards(counts or {"larch": 4, "cherry": 4, "robinia": 4}) if rows is None else rows
    (folder / "specimens.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    (folder / "takes.csv").write_text(takes + "\n", encoding="utf-8")
    return folder
