"""Recordings with broken headers, missing ends, changed bytes and impossible numbers.

A clean take of a tone is written in one of several containers; a change knows where the fields of a
container stand. Measuring it as a tone and as taps must end in rows, used or set aside with a
reason, or in sentences: one take's fault sets aside one take.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import soundfile

from studylib import measure, sheets
from studylib.codes import each
from studylib.errors import StudyError
from studylib.words import in_words, is_note
from tests.fuzz.sheets import said

RATE, SECONDS, TONE_HZ = 16_000, 1.2, 172.0
CONTAINERS = (
    ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("WAVEX", "PCM_24"), ("RF64", "PCM_16"),
    ("FLAC", "PCM_16"), ("AIFF", "PCM_16"), ("CAF", "PCM_24"), ("W64", "PCM_16"), ("OGG", "VORBIS"),
)  # fmt: skip
WAV_FIELDS = dict.fromkeys((4, 16, 24, 28, 40), "<I") | dict.fromkeys((20, 22, 32, 34), "<H")
AIFF_FIELDS = {4: ">I", 16: ">I", 20: ">H", 22: ">I", 26: ">H"}
FORMS = ("B", "<H", "<I", ">H", ">I", "<d", "<f")
EXTREMES = {
    "B": (0, 255), "H": (0, 1, 0x7FFF, 0xFFFF), "I": (0, 1, 7, 0x7FFFFFFF, 0xFFFFFFFF),
    "f": (np.nan, np.inf, -np.inf, 1e38, 5.0), "d": (np.nan, np.inf, -np.inf, 1e308, 5.0),
}  # fmt: skip


def clean(folder: Path, container: str, subtype: str) -> bytes:
    """The bytes of a take of two channels: a tone with two harmonics, and noise."""
    rng = np.random.default_rng(8)
    t = np.arange(round(SECONDS * RATE)) / RATE
    tone = sum(np.cos(2 * np.pi * k * TONE_HZ * t) / k**3 for k in (1, 2, 3))
    x = np.column_stack([0.2 * tone, 0.3 * tone]) + 1e-4 * rng.standard_normal((t.size, 2))
    path = folder / "clean"
    soundfile.write(path, x, RATE, format=container, subtype=subtype)
    return path.read_bytes()


def broken(data: bytes, container: str, rng: np.random.Generator) -> bytes:
    """The same after one to three changes."""
    for _ in range(rng.integers(1, 4)):
        out, kind = bytearray(data), rng.integers(7)
        if kind == 0:  # breaks off
            data = data[: rng.integers(len(data) + 1)]
        elif kind == 1:  # a field of the header
            fields = AIFF_FIELDS if container == "AIFF" else WAV_FIELDS
            at = int(rng.choice(list(fields)))
            _put(out, at, fields[at], rng)
            data = bytes(out)
        elif kind == 2:  # any number in the first kilobyte
            _put(out, int(rng.integers(min(len(out), 1024) + 1)), str(rng.choice(FORMS)), rng)
            data = bytes(out)
        elif kind == 3:  # bytes anywhere
            for at in rng.integers(max(len(out), 1), size=rng.integers(1, 40)):
                if at < len(out):
                    out[at] = rng.integers(256)
            data = bytes(out)
        elif kind == 4:  # a stretch twice, or gone
            first, last = sorted(int(one) for one in rng.integers(len(data) + 1, size=2))
            data = data[:first] + data[first:last] * int(rng.integers(3)) + data[last:]
        elif kind == 5:  # no number, or one beyond all measure, among the samples
            _put(out, int(rng.integers(len(out) + 1)), str(rng.choice(("<f", "<d"))), rng)
            data = bytes(out)
        else:  # something before or behind
            more = rng.bytes(int(rng.integers(64)))
            data = more + data if rng.integers(2) else data + more
    return data


def _put(out: bytearray, at: int, form: str, rng: np.random.Generator) -> None:
    size = struct.calcsize(form)
    if at + size <= len(out):
        struct.pack_into(form, out, at, rng.choice(EXTREMES[form[-1]]).item())


def study_of(folder: Path) -> sheets.Study:
    """A study of one tone and one take of taps, each in a file of its own."""
    about = {"study": {"title": "fuzz", "question": "?"}, "tone": {"fundamental_hz": TONE_HZ},
             "channels": {"drive": 2, "drive_kind": "force"}}  # fmt: skip
    settings = sheets.Settings.model_validate(about)
    board = sheets.Specimen(specimen="L1", wood="larch", row=2)
    same = {"batch": "day 1", "specimen": "L1", "mount": "1", "repeat": "1"}
    takes = (
        sheets.Take(take="t", kind="tone", file="tone.wav", tone_hz=str(TONE_HZ), row=2, **same),
        sheets.Take(take="p", kind="tap", file="tap.wav", row=3, **same),
    )
    return sheets.Study(folder, "fuzz", settings, (board,), takes, ())


def measured(folder: Path, data: bytes) -> str:
    """What became of a recording: "used", "set aside", or "refused" with a sentence."""
    for name in ("tone.wav", "tap.wav"):
        (folder / name).write_bytes(data)
    try:
        batch = measure.measure_batch(study_of(folder), "day 1")
    except StudyError as error:
        said(error)
        return "refused"
    checks = batch.quality
    whole = checks[checks["check"] == "take"]
    assert set(whole["take"]) == {"t", "p"}
    for reason in batch.features["reason"]:
        assert all(in_words(note) if is_note(note) else note for note in each(reason))
    used = batch.features["usable"].astype(bool)
    values = batch.features.loc[used, "value"].astype(float)
    assert np.isfinite(values).all(), batch.features[used & ~np.isfinite(values)]
    return "used" if used.any() else "set aside"
