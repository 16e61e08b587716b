"""What an analysis of the study should find: truth.json and truth/*.csv.

A board's true value is that of the nominal mount: no remount, no take spread, no noise, no leak
through the air, 20 C. Responses are channel 1 over channel 2, both re full scale, in dB.
Values are rounded so that the tables do not change with the last bit of a sum.

Contents: write_truth.
"""

import csv
import json
from pathlib import Path

import numpy as np

from . import bench_values
from .driver import HARMONICS
from .mounting import BUZZ, Mounted, nominal_mount
from .plan import FUNDAMENTAL_HZ, PROBES_HZ, PlannedTake
from .recorder import ACCELERATION_FULL_SCALE
from .streams import decibel
from .takes import microphone, picked_on_board
from .woods import WOODS, Specimen

TONES_HZ = (FUNDAMENTAL_HZ, *PROBES_HZ)
RESPONSES = ("tone.h1.response_db", "probe.k2.response_db", "probe.k3.response_db")
MODES_SHOWN = 6
SILENT_DB = -160.0  # levels below this are left empty


def write_truth(
    folder: Path,
    rails: tuple[Specimen, ...],
    takes: tuple[PlannedTake, ...],
    mounted: dict[tuple[str, int], Mounted],
) -> None:
    """Write truth.json, truth/boards.csv, truth/mounts.csv and truth/harmonics.csv."""
    boards = [_board_row(rail) for rail in rails]
    batch_of = {(t.specimen, t.mount): t.batch for t in takes if t.mount}
    mounts = [_mount_row(key, batch_of[key], mounted[key]) for key in sorted(mounted)]
    harmonics = [
        row
        for key in sorted(mounted)
        if not mounted[key].mount.free
        for row in _harmonic_rows(key, mounted[key])
    ]
    tables = folder / "truth"
    tables.mkdir(parents=True, exist_ok=True)
    for name, rows in (("boards", boards), ("mounts", mounts), ("harmonics", harmonics)):
        with (tables / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, rows[0], lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    text = json.dumps(_summary(boards, mounts), indent=2, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def _response_db(mounted: Mounted) -> np.ndarray:
    """Board alone at the tone and the probe tones, shape (3,)."""
    tones = np.array(TONES_HZ)
    heard = microphone(mounted.transmission(tones), tones, mounted.mount.gain_db)
    return decibel(heard * ACCELERATION_FULL_SCALE)


def _board_row(rail: Specimen) -> dict:
    mounted = Mounted(rail, nominal_mount(rail))
    ringing = mounted.first_ringing_mode(driver=True)
    loss = mounted.board.loss_factor[2:]
    row = {
        "specimen": rail.name,
        "wood": rail.wood,
        "role": rail.role,
        "youngs_modulus_gpa": f"{rail.beam.youngs_modulus / 1e9:.4f}",
        "density_kg_m3": f"{rail.beam.density:.2f}",
        "shear_ratio": f"{rail.beam.shear_ratio:g}",
        "length_mm": f"{1000 * rail.beam.length:.3f}",
        "width_mm": f"{1000 * rail.beam.width:.3f}",
        "thickness_mm": f"{1000 * rail.beam.thickness:.3f}",
        "mass_g": f"{1000 * rail.mass:.3f}",
        "added_mass_g": f"{1000 * rail.added_mass:g}",
    }
    for number, (place, extra) in enumerate(rail.spots, start=1):
        row[f"spot{number}_mm"] = f"{1000 * place:.1f}"
        row[f"spot{number}_g"] = f"{1000 * extra:.3f}"
    values = zip(RESPONSES, _response_db(mounted), strict=True)
    row |= {name: f"{value:.4f}" for name, value in values}
    row["tap.m1.frequency_hz"] = f"{ringing[0]:.4f}"
    row["tap.m1.decay_time_s"] = f"{ringing[1]:.5f}"
    for n in range(MODES_SHOWN):
        row[f"free_mode{n + 1}_hz"] = f"{mounted.free_frequency_hz[n]:.4f}"
    for n in range(MODES_SHOWN):
        row[f"loss_factor{n + 1}"] = f"{loss[n]:.6f}"
    return row


def _mount_row(key: tuple[str, int], batch: str, mounted: Mounted) -> dict:
    mount, free = mounted.mount, mounted.mount.free
    row = {
        "specimen": key[0],
        "wood": mounted.specimen.wood,
        "role": mounted.specimen.role,
        "batch": batch,
        "mount": key[1],
        "support": "free" if free else "bench",
        "temperature_c": f"{mount.temperature_c:.1f}",
        "gain_db": f"{mount.gain_db:.4f}",
        "mode_shift_percent": f"{100 * mount.mode_shift:.4f}",
        "drive_position_mm": "" if free else f"{1000 * mount.drive_position:.3f}",
        "buzzes": "yes" if mount.buzzes else "",
    }
    for tone_hz, name in zip(TONES_HZ, RESPONSES, strict=True):
        row[name] = ""
        if not free:
            # As picked up at full drive: leak and loose contact included.
            picked = picked_on_board(mounted, tone_hz, 0.0)
            row[name] = f"{decibel(picked.response[0] / picked.drive[0]):.4f}"
    frequency, decay = mounted.first_ringing_mode(driver=not free)
    return row | {"tap.m1.frequency_hz": f"{frequency:.4f}", "tap.m1.decay_time_s": f"{decay:.5f}"}


def _harmonic_rows(key: tuple[str, int], mounted: Mounted) -> list[dict]:
    """Full-drive 172 Hz tone: what each harmonic holds, and how much is beyond the driver."""
    picked = picked_on_board(mounted, FUNDAMENTAL_HZ, 0.0)
    frequency = FUNDAMENTAL_HZ * np.arange(1, HARMONICS + 1)
    sensed = picked.drive * ACCELERATION_FULL_SCALE
    board = mounted.transmission(frequency) * sensed
    predicted = microphone(board, frequency, mounted.mount.gain_db)
    rows = []
    for k in range(HARMONICS):
        levels = {
            "response_dbfs": picked.response[k],
            "drive_dbfs": picked.drive[k],
            "predicted_dbfs": predicted[k],
            "leak_dbfs": picked.leak[k],
            "contact_dbfs": picked.buzz[k],
        }
        row = {"specimen": key[0], "mount": key[1], "harmonic": k + 1}
        row |= {name: _level(value) for name, value in levels.items()}
        known = row["response_dbfs"] and row["predicted_dbfs"]
        row["excess_db"] = f"{decibel(picked.response[k] / predicted[k]):.3f}" if known else ""
        rows.append(row)
    return rows


def _level(amplitude: complex) -> str:
    """Peak level re full scale, or empty when there is next to nothing."""
    return f"{decibel(amplitude):.3f}" if abs(amplitude) > 10 ** (SILENT_DB / 20) else ""


def _summary(boards: list[dict], mounts: list[dict]) -> dict:
    """What holds for the study as a whole, with every constant of the simulation."""
    features = (*RESPONSES, "tap.m1.frequency_hz", "tap.m1.decay_time_s")
    woods = {}
    for wood in WOODS:
        own = [row for row in boards if row["wood"] == wood and not row["role"]]
        woods[wood] = {
            feature: _mean_sd([float(row[feature]) for row in own]) for feature in features
        }
    names = list(WOODS)
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    by_role = {row["role"]: row for row in boards if row["role"]}
    change = {
        feature: round(float(by_role["changed"][feature]) - float(by_role["reference"][feature]), 4)
        for feature in RESPONSES
    }
    return {
        "invented": "Every number here is simulated. No rail was ever cut, driven or recorded.",
        "true_values": "nominal mount, 20 C, no leak, no noise; dB: channel 1 over channel 2, "
        "both re full scale; mean and sd over the boards of a wood",
        "woods": woods,
        "differences": {
            f"{b} minus {a}": {
                feature: round(woods[b][feature]["mean"] - woods[a][feature]["mean"], 4)
                for feature in RESPONSES
            }
            for a, b in pairs
        },
        "changed_minus_reference_db": change,
        "remount_sd": {feature: _remount_sd(mounts, feature) for feature in RESPONSES},
        "buzzing_mount": {"specimen": BUZZ[0], "mount": BUZZ[1]},
        **bench_values.constants(),
    }


def _mean_sd(values: list[float]) -> dict:
    return {"mean": round(float(np.mean(values)), 5), "sd": round(float(np.std(values, ddof=1)), 5)}


def _remount_sd(mounts: list[dict], feature: str) -> float:
    """Pooled spread between the bench mounts of one board (each board stays in one batch)."""
    groups: dict[str, list[float]] = {}
    for row in mounts:
        if row[feature] and not row["role"]:
            groups.setdefault(row["specimen"], []).append(float(row[feature]))
    return round(float(np.sqrt(np.mean([np.var(v, ddof=1) for v in groups.values()]))), 4)
