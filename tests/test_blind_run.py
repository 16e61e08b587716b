"""A blind study from codes to names: real recordings, real kernels, two runs."""

from __future__ import annotations

import csv
import random
import re
from datetime import datetime

import pandas as pd
from click.testing import CliRunner

from studylib.cli import main
from studylib.run import runner
from studylib.run.runner import run_study
from studylib.sheets import read_study
from studylib.sheets.blinding import code_specimens
from studylib.sheets.records import read_ledger
from tests.lean_notebooks import lean_notebooks
from tests.small_study import Plan, write_small_study

WOODS = ("larch", "robinia")


def recode_takes(folder):
    """As if the schedule had been made with the codes: takes.csv names them."""
    with (folder / "woods.key.csv").open(encoding="utf-8", newline="") as file:
        codes = {row["own_name"]: row["specimen"] for row in csv.DictReader(file)}
    with (folder / "takes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (folder / "takes.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        for number, row in enumerate(rows):
            code = codes.get(row["specimen"], "")
            writer.writerow({**row, "specimen": code, "take": f"t{number}"})


def test_a_blind_study_is_run_on_codes_and_again_under_its_names(tmp_path, monkeypatch):
    monkeypatch.setattr(runner, "notebook_path", lean_notebooks(tmp_path))
    levels = {"larch": 0.0, "robinia": 6.0}
    folder = write_small_study(
        tmp_path / "rails", Plan(wood_db=levels, boards=4, takes=1, board_sd=0.3, mount_sd=0.1)
    )
    rng = random.Random(3)
    code_specimens(folder, compare="wood", when=datetime(2026, 3, 2, 9), rng=rng)
    recode_takes(folder)
    locked = CliRunner().invoke(main, ["lock", str(folder)])
    assert locked.exit_code == 0, locked.output

    blind = run_study(folder, reports=tmp_path / "reports", jobs=1)
    assert blind.failed == {}
    tables = blind.home / "tables"
    effects = pd.read_csv(tables / "effects.csv")
    assert set(effects["wood_a"]) | set(effects["wood_b"]) == {"wood A", "wood B"}
    page = blind.summary_html.read_text(encoding="utf-8")
    assert "the key is not opened" in page
    claims = pd.read_csv(tables / "claims.csv")
    assert set(claims["reason_code"]) == {"claims.coded"}
    captions = (blind.home / "figures" / "film" / "captions.txt").read_text(encoding="utf-8")
    assert "wood A" in captions
    assert not [wood for wood in WOODS if wood in captions]
    for table in tables.glob("*.csv"):
        if table.name != "claims.csv":
            assert not [w for w in WOODS if w in table.read_text(encoding="utf-8")], table

    result = CliRunner().invoke(
        main, ["unblind", str(folder), "--reports", str(tmp_path / "reports")]
    )
    assert result.exit_code == 0, result.output
    assert "after a report of the coded study was made" in result.output
    named = run_study(folder, reports=tmp_path / "reports", jobs=1)
    assert (named.failed, named.skipped) == ({}, ())
    effects = pd.read_csv(tables / "effects.csv")
    row = effects[effects["feature"] == "tone.h1.level_db"].iloc[0]
    assert {row["wood_a"], row["wood_b"]} == set(WOODS)
    # Viewers read the boards' own names, with the code by which tables and recordings call them.
    board = read_study(folder).with_role("")[0]
    assert re.fullmatch(r"(lar|rob)[1-4] \(\S.*\)", board.shown)
    assert board.shown.endswith(f"({board.specimen})")
    higher = row["difference"] * (1 if row["wood_b"] == "robinia" else -1)
    assert 5.0 < higher < 7.0
    assert "after a report of the coded study had been made" in named.summary_html.read_text(
        encoding="utf-8"
    )
    # Both runs are entries of the ledger; the second one, with names for codes, is no look.
    ledger = read_ledger(folder)
    assert (len(ledger.entries), ledger.whole) == (2, True)
    assert ledger.looks(read_study(folder).boards_recorded()) == (8,)
    assert "this is look 1" in named.summary_html.read_text(encoding="utf-8")
