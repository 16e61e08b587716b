"""Parts, keys and whole files: what comes back is what was left, and half a part is none."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studylib import tables, writing
from studylib.codes import each, fields_of, note, several
from studylib.errors import InputError, RunError
from studylib.measure import BatchMeasurement, measure_batch
from studylib.measure import batch as parts
from studylib.modes.gathered import first_fault, gather
from studylib.run import provenance
from studylib.sheets import read_study
from studylib.sheets.files import sha256
from studylib.words import say
from tests.small_study import Plan, write_small_study

SAID = note("takes.excluded", reason='said "so", twice\nover')


def table(name: str, **columns: list) -> pd.DataFrame:
    """A table with some columns given; the others hold nothing."""
    return tables.typed(name, pd.DataFrame(columns).reindex(columns=tables.TABLES[name].names))


def measurement(batch: str = "day 1") -> BatchMeasurement:
    """A measurement with whatever a table may hold: odd text, gaps, tiny and long numbers."""
    return BatchMeasurement(
        batch=batch,
        quality=table(
            "quality",
            take=["001", "NA"],
            channel=["", "response"],
            check=["take", "dc"],
            value=[np.nan, 1 / 3],
            unit=["", "%"],
            limit=[None, 1e-300],
            source=[several([SAID, "checks.practice"]), None],
            verdict=["pass", "warn"],
        ),
        features=table(
            "features",
            id=["1e5", "2"],
            take=["001", "NA"],
            specimen=["None", "<b>"],
            mount=[1, 2],
            repeat=[1, None],
            value=[0.1 + 0.2, -np.inf],
            usable=[True, False],
            reason=["", "takes.below_noise"],
        ),
        spectra=tables.empty("spectra"),
        harmonics=table(
            "harmonics",
            take=["001"],
            harmonic=[2],
            response_re=[-1 / 3],
            drive_re=[np.nan],
            unit=["dB SPL"],
            usable=[True],
        ),
        modes=tables.empty("modes"),
        curves=tables.empty("curves"),
        bench=table("bench", item=["rate"], value=["24000"]),
    )


def test_a_part_comes_back_as_it_was_left(tmp_path):
    left = measurement()
    parts.save_part(left, tmp_path / "p", key="k1")
    back = parts.load_part(tmp_path / "p")
    assert back.batch == "day 1"
    assert parts.part_key(tmp_path / "p") == "k1"
    for name in parts.TABLES:
        pd.testing.assert_frame_equal(getattr(back, name), getattr(left, name), check_exact=True)
    assert back.quality["take"].tolist() == ["001", "NA"]
    assert [fields_of(one) for one in each(back.quality["source"].iloc[0])] == [fields_of(SAID), {}]
    assert back.quality["source"].iloc[1] == ""
    assert back.quality["value"].iloc[1] == 1 / 3
    assert back.quality["limit"].iloc[1] == 1e-300
    assert back.features["id"].tolist() == ["1e5", "2"]
    assert back.features["specimen"].tolist() == ["None", "<b>"]
    assert back.features["value"].tolist() == [0.1 + 0.2, -np.inf]
    assert back.features["usable"].dtype == bool
    assert back.features["mount"].dtype == np.int64
    assert back.features["repeat"].dtype == np.float64
    assert back.harmonics["response_re"].tolist() == [-1 / 3]
    assert np.isnan(back.harmonics["drive_re"].iloc[0])
    assert back.bench["value"].tolist() == ["24000"]


@pytest.mark.parametrize("name", ["quality.csv", "done.json"])
def test_half_a_part_is_none(tmp_path, name):
    parts.save_part(measurement(), tmp_path, key="k")
    (tmp_path / name).unlink()
    assert parts.part_key(tmp_path) is None
    with pytest.raises(RunError) as caught:
        parts.load_part(tmp_path)
    assert caught.value.notes == (note("measure.not_whole", batch=tmp_path.name),)


def test_a_table_that_was_changed_afterwards_is_not_taken(tmp_path):
    parts.save_part(measurement(), tmp_path, key="k")
    (tmp_path / "bench.csv").write_text("item,value\nrate,48000\n")
    assert parts.part_key(tmp_path) is None


def test_a_part_that_is_being_rewritten_is_not_whole(tmp_path, monkeypatch):
    parts.save_part(measurement(), tmp_path, key="old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing, "write_whole", full)
    with pytest.raises(OSError, match="No space left"):
        parts.save_part(measurement(), tmp_path, key="new")
    assert parts.part_key(tmp_path) is None


def test_gathering_measures_here_or_reads_parts_with_one_result(tmp_path):
    study = read_study(write_small_study(tmp_path / "study", Plan(boards=2, mounts=1, batches=2)))
    (study.folder / "recordings/rob2_m1_r1.wav").write_bytes(b"no audio")
    slugs = parts.batch_slugs(study.batches)
    for batch in study.batches:
        left = measure_batch(study, batch)
        parts.save_part(left, tmp_path / slugs[batch], key="k")
    read, here = gather(study, parts=tmp_path), gather(study)
    for name in (*parts.TABLES, "board_modes"):
        pd.testing.assert_frame_equal(getattr(read, name), getattr(here, name), check_exact=True)
    assert list(dict.fromkeys(read.bench["batch"])) == list(study.batches)
    assert set(read.features["batch"]) == set(study.batches)
    assert read.failed == here.failed == {}


def test_gathering_names_what_is_not_there_and_why(tmp_path):
    study = SimpleNamespace(batches=("a", "b", "c", "d"), specimens=())
    for batch in "abc":
        parts.save_part(measurement(batch), tmp_path / batch, key="k")
    parts.leave_out(tmp_path / "b", SAID)
    (tmp_path / "c" / "features.csv").unlink()
    gathered = gather(study, parts=tmp_path)
    assert gathered.failed == {
        "b": SAID,
        "c": note("measure.not_whole", batch="c"),
        "d": "measure.not_run",
    }
    assert all(say(why) for why in gathered.failed.values())
    assert len(gathered.quality) == 2
    parts.take_in(tmp_path / "b")
    assert set(gather(study, parts=tmp_path).failed) == {"c", "d"}


def test_of_several_faults_the_first_is_told_and_how_many_more():
    one, two = note("measure.not_whole", batch="a"), "measure.not_run"
    assert first_fault(RunError(one)) == one
    found = first_fault(RunError(one, two))
    assert fields_of(found) == {"fault": one, "more": 1}
    assert say(found).endswith("(and 1 more)")


def test_gathering_nothing_gives_empty_tables(tmp_path):
    gathered = gather(SimpleNamespace(batches=("a",), specimens=()), parts=tmp_path)
    assert list(gathered.features.columns) == tables.TABLES["features"].names
    assert list(gathered.bench.columns) == ["batch", "item", "value"]
    assert gathered.quality.empty


def test_no_two_batches_share_a_file():
    slugs = parts.batch_slugs(["Day 1", "day 1", "day_1", "../x", "Übung", "con", "plain"])
    assert len({slug.casefold() for slug in slugs.values()}) == 7
    assert slugs["plain"] == "plain"
    for slug in slugs.values():
        assert "/" not in slug
        assert not slug.startswith(".")


def test_an_empty_batch_name_means_the_first():
    study = SimpleNamespace(batches=("a", "b"))
    assert parts.choose_batch(study, "") == "a"
    assert parts.choose_batch(study, "b") == "b"
    with pytest.raises(InputError) as caught:
        parts.choose_batch(study, "bb")
    known = {"nearest": "b", "known": ["a", "b"]}
    assert caught.value.notes == (note("measure.unknown_batch", batch="bb", **known),)
    assert str(caught.value)
    with pytest.raises(InputError) as caught:
        parts.choose_batch(SimpleNamespace(batches=()), "")
    assert caught.value.codes == ("measure.no_batch",)
    assert str(caught.value)


def test_progress_is_noted_and_read(tmp_path):
    assert parts.note_progress("") is None
    assert parts.read_progress(tmp_path) is None
    parts.note_progress(tmp_path)(3, 9, "tone t3")
    assert parts.read_progress(tmp_path) == (3, 9, "tone t3")
    (tmp_path / parts.PROGRESS).write_text('{"done": 3, "to')
    assert parts.read_progress(tmp_path) is None


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    writing.write_whole(tmp_path / "a.txt", "one\n")

    def broken(*_):
        raise OSError("no")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(OSError, match="no"):
        writing.write_whole(tmp_path / "a.txt", "two\n")
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_bytes() == b"one\n"


def test_a_full_drive_names_the_file_that_did_not_fit(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(OSError, match="No space left") as caught:
        writing.write_whole(tmp_path / "a.txt", "one\n")
    assert caught.value.filename == str(tmp_path / "a.txt")


def test_a_folder_takes_the_place_of_another(tmp_path):
    for name in ("new", "old"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f"{name}.txt").write_text(name)
    writing.replace_folder(tmp_path / "new", tmp_path / "old")
    assert [p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*")] == [
        "old",
        "old/new.txt",
    ]


def test_the_library_hash_sees_a_changed_file_and_no_caches(tmp_path, monkeypatch):
    (tmp_path / "__pycache__").mkdir()
    (tmp_path / "a.py").write_text("1")
    monkeypatch.setattr(provenance, "PACKAGE", tmp_path)
    first = provenance.library_digest()
    (tmp_path / "__pycache__" / "a.pyc").write_text("x")
    assert provenance.library_digest() == first
    (tmp_path / "a.py").write_text("2")
    assert provenance.library_digest() != first


def test_sha256_of_a_published_message(tmp_path):
    # FIPS 180-4 example, message "abc" (NIST, Cryptographic Standards, SHA256.pdf).
    (tmp_path / "abc").write_text("abc")
    assert sha256(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
