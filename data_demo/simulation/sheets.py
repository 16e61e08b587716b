"""The two tables of the study folder, as the workshop would have written them.

Contents: write_specimens, write_takes.
"""

import csv
from collections.abc import Iterable
from pathlib import Path

from .plan import KNOCK_REASON, PlannedTake
from .streams import stream
from .woods import CHANGED_FROM_FAR_END, CHANGED_MASS, Specimen, measured_sheet_row

SPECIMEN_COLUMNS = (
    "specimen", "wood", "source", "length_mm", "width_mm", "thickness_mm", "mass_g",
    "moisture_pct", "grain", "role", "note",
)  # fmt: skip
TAKE_COLUMNS = (
    "take", "batch", "kind", "specimen", "mount", "repeat", "file", "order", "tone_hz",
    "drive_db", "gain_db", "support", "started", "temperature_c", "humidity_pct", "exclude",
    "reason",
)  # fmt: skip


def write_specimens(path: Path, rails: Iterable[Specimen]) -> None:
    """specimens.csv: what is under comparison, the reference and the changed specimen."""
    rows = []
    for rail in rails:
        fixed = f"REF with {1000 * CHANGED_MASS:.0f} g fixed on top, "
        fixed += f"{1000 * CHANGED_FROM_FAR_END:.0f} mm from the far end; "
        sawn = stream(f"grain {'REF' if rail.role else rail.name}").choice(["quarter", "rift"])
        rows.append(
            {
                "specimen": rail.name,
                "wood": rail.wood,
                "source": rail.source,
                **measured_sheet_row(rail),
                "grain": f"{sawn} sawn",
                "role": rail.role,
                "note": (fixed if rail.role == "changed" else "") + "invented",
            }
        )
    _write(path, SPECIMEN_COLUMNS, rows)


def write_takes(path: Path, takes: Iterable[PlannedTake]) -> None:
    """takes.csv: one row a recording, in the order of the bench."""
    rows = [
        {
            "take": take.take,
            "batch": take.batch,
            "kind": take.kind,
            "specimen": take.specimen,
            "mount": "" if take.mount is None else take.mount,
            "repeat": take.repeat,
            "file": take.file,
            "order": take.order,
            "tone_hz": "" if take.tone_hz is None else f"{take.tone_hz:g}",
            "drive_db": f"{take.drive_db:g}" if take.drive_db else "",
            "support": take.support,
            "started": take.started,
            "temperature_c": f"{take.temperature_c:.1f}",
            "humidity_pct": f"{take.humidity_pct:.1f}",
            "exclude": "yes" if take.knocked else "",
            "reason": KNOCK_REASON if take.knocked else "",
        }
        for take in takes
    ]
    _write(path, TAKE_COLUMNS, rows)


def _write(path: Path, columns: tuple[str, ...], rows: list[dict]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
