"""Are the verdicts right? Simulated benches and studies whose truth is known.

By default, benches on which something is wrong (tests.attribution.troubles): a family at a time,
one line for each size, with the share of benches that got any false cause.

With --studies, thousands of simulated studies, row by row. Each study is drawn by
tests.attribution.amplitudes (study number n of seed s has the generator seeded [s, n]) and judged
by the function that the report calls. Printed with Monte Carlo errors (one standard error; for
shares of rows, taken over studies):

- rows with a motion channel, standard uncertainty at most 0.3 dB, true excess 0 or beyond 3 dB, and
  no leak or noise behind them: share that is right. Right is `driver` at 0; beyond 3 dB `cannot
  tell`, or `beyond the driver` where the controls are there (most of these studies have too few
  boards and no drive steps for it); wanted 99 %;
- linear boards with any `beyond the driver`; wanted at most 1 %;
- causes named although their control is missing; wanted none;
- boards whose intervals all hold the true excess, against the promised 99 %;
- drive steps; studies without a motion channel; verdicts by scenario.

Then 20 studies written as audio files and measured from there.

Run: python -m tests.benchmarks.attribution_truth [--family F] [--benches N] [--seed S]
     python -m tests.benchmarks.attribution_truth --studies N [--seed S]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from tqdm import tqdm

from studylib.attribution import Attribution, attribute, attribute_study
from studylib.codes import has
from studylib.modes.gathered import gather
from studylib.sheets import Study, read_study
from tests.attribution.amplitudes import SCENARIOS, Plan, Simulated, draw_plan, simulate
from tests.attribution.audio import AUDIO_SCENARIOS, Written, audio_plan, write_audio_study
from tests.attribution.held_to_truth import benches, line_of
from tests.attribution.troubles import FAMILIES

SEED = 172
AUDIO_STUDIES = 20
LEAK_DB = -6.0  # from here on a leak is the cause
SLACK_DB = 2.0  # how much lower a true leak may lie before naming it counts as wrong
LEAKS = ["air_db", "recorder_db", "hum_db", "drive_recorder_db"]
HEARD_DB = 20.0  # a harmonic that far above its noise is not noise


def judge(simulated: Simulated) -> Attribution:
    """The attribution of a simulated study, by the function that the report calls."""
    plan = simulated.plan
    return attribute(
        simulated.harmonics, simulated.takes, fundamental_hz=plan.fundamental_hz,
        harmonics_kept=plan.size, sensed=plan.drive == "sensed",
    )  # fmt: skip


def one_study(number: int, seed: int = SEED) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(rows, steps) of one study beside their truth."""
    rng = np.random.default_rng([seed, number])
    simulated = simulate(draw_plan(rng, SCENARIOS[number % len(SCENARIOS)]), rng)
    found = judge(simulated)
    rows = beside(found.table, simulated).assign(study=number, df=found.take_spread.df)
    keys = ["specimen", "mount", "harmonic"]
    steps = found.steps.merge(rows, on=keys, suffixes=("", "_full"), how="left")
    return rows, steps


def studies(count: int, seed: int = SEED) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows and steps of many studies."""
    each = [one_study(n, seed) for n in tqdm(range(count), desc="studies", disable=None)]
    return tuple(pd.concat(part, ignore_index=True) for part in zip(*each, strict=True))


def audio_studies(count: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows and steps of studies that were written as files, read and measured; kinds in turn."""
    rows, steps = [], []
    for number in tqdm(range(count), desc="studies as files", disable=None):
        scenario = AUDIO_SCENARIOS[number % len(AUDIO_SCENARIOS)]
        plan = audio_plan(scenario, size=(6, 5, 8)[number % 3])
        with tempfile.TemporaryDirectory() as name:
            written = write_audio_study(Path(name) / "study", plan, seed=number)
            study = read_study(written.folder)
            found = attribute_study(study, gather(study).harmonics, board_modes=no_mode_near(study))
        truth = beside(found.table, written)
        rows.append(truth.assign(study=number, df=found.take_spread.df))
        steps.append(found.steps.assign(study=number, scenario=scenario))
    return pd.concat(rows, ignore_index=True), pd.concat(steps, ignore_index=True)


def no_mode_near(study: Study) -> pd.DataFrame:
    """Board modes far below every harmonic: the simulated boards are no bars, and hide nothing."""
    return pd.DataFrame(
        {"specimen": [each.specimen for each in study.specimens], "support": "bench",
         "frequency_hz": 20.0, "loss_factor": 0.01}
    )  # fmt: skip


def beside(table: pd.DataFrame, simulated: Simulated | Written) -> pd.DataFrame:
    """The table of the attribution beside the truth of its study (amplitudes or audio)."""
    plan, truth = simulated.plan, simulated.truth
    keys = ["specimen", "mount", "harmonic"]
    if not (table[keys].to_numpy() == truth[keys].to_numpy()).all():
        raise AssertionError("the table of the attribution has other rows than were simulated")
    rows = table[[*keys, "verdict", "excess_db", "low", "high", "u", "route", "settle"]].copy()
    rows["mains"] = [has(reason, "attribution.mains") for reason in table["reason"]]
    for name in ("excess_db", "buzz", *LEAKS, "snr_db", "drive_snr_db"):
        rows[f"true_{name}"] = truth[name].to_numpy()
    rows["scenario"], rows["sensed"] = plan.scenario, plan.drive == "sensed"
    rows["steps"], rows["repeats"] = plan.steps, plan.repeats
    rows["missing"] = ",".join(sorted(plan.leave_out))
    rows["ruled_out"] = _controls_there(rows, plan)
    return rows


def _controls_there(rows: pd.DataFrame, plan: Plan) -> np.ndarray:
    """Where everything was recorded that `beyond the driver` needs."""
    if plan.drive != "sensed" or plan.leave_out & {"airborne", "loopback", "probe"}:
        return np.zeros(len(rows), dtype=bool)
    at = plan.fundamental_hz * rows["harmonic"].to_numpy()
    mains = np.min([np.abs(at - np.round(at / hz) * hz) for hz in (50.0, 60.0)], axis=0)
    # Beside a mains line within two bins of 1.25 Hz a room take is needed.
    there = (mains >= 2.5) | ("room" not in plan.leave_out)
    # The leak through the air is scaled by the probe tone of that very harmonic.
    return there & ((plan.probed != "sweep") | (rows["harmonic"].to_numpy() == 2))


def outcome(rows: pd.DataFrame) -> np.ndarray:
    """ "right", "cannot tell" or "wrong" for rows whose truth is 0 or beyond 3 dB."""
    wanted = np.where(rows["true_excess_db"] > 3.0, "beyond the driver", "driver")
    wanted = np.where((wanted == "beyond the driver") & ~rows["ruled_out"], "cannot tell", wanted)
    verdict = rows["verdict"].to_numpy()
    # Other boards and drive steps must bear it out, so that an excess is never wrong to leave open.
    wanted = np.where((verdict == "cannot tell") & (wanted != "driver"), verdict, wanted)
    return np.where(
        verdict == wanted, "right", np.where(verdict == "cannot tell", "cannot tell", "wrong")
    )


def clear_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows that the promise of 99 % is about, with their outcome."""
    leak = (rows[[f"true_{name}" for name in LEAKS]] > LEAK_DB).any(axis=1)
    truth = ~rows["true_buzz"] | (rows["true_excess_db"] > 3.0)
    kept = rows[rows["sensed"] & (rows["u"] <= 0.3) & truth & ~leak]
    return kept.assign(outcome=outcome(kept))


def falsely_named(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of any uncertainty with a verdict that their truth contradicts."""
    far = LEAK_DB - SLACK_DB
    verdict = rows["verdict"]
    loud = rows["true_snr_db"] > HEARD_DB
    wrong = (verdict == "air") & (rows["true_air_db"] < far)
    wrong |= (verdict == "recorder") & (rows["true_recorder_db"] < far)
    wrong |= (verdict == "noise") & rows["mains"] & (rows["true_hum_db"] < far)
    wrong |= (verdict == "noise") & ~rows["mains"] & loud
    wrong |= (verdict == "driver") & (rows["true_excess_db"].abs() > 1.5)
    wrong |= (verdict == "beyond the driver") & (rows["true_excess_db"] < 1.5)
    return rows[wrong]


def named_without_control(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows whose verdict needs a take that was not recorded."""
    verdict, missing = rows["verdict"], rows["missing"]
    wrong = (verdict == "air") & missing.str.contains("airborne")
    wrong |= (verdict == "recorder") & missing.str.contains("loopback")
    wrong |= (verdict == "noise") & rows["mains"] & missing.str.contains("room")
    wrong |= verdict.isin(["driver", "beyond the driver"]) & (rows["route"] == "")
    wrong |= (verdict == "beyond the driver") & ~rows["ruled_out"]
    wrong |= (verdict == "driver") & ~rows["sensed"] & missing.str.contains("driver")
    return rows[wrong]


def linear_boards(rows: pd.DataFrame) -> pd.Series:
    """For each board without any buzz: was something called beyond the driver?"""
    rows = rows.assign(beyond=rows["verdict"] == "beyond the driver")
    boards = rows.groupby(["study", "specimen"]).agg({"true_buzz": "any", "beyond": "any"})
    return boards.loc[~boards["true_buzz"], "beyond"]


def covered_boards(rows: pd.DataFrame) -> pd.Series:
    """For each board: do all its intervals hold the truth?"""
    rows = rows[rows["low"].notna() & rows["high"].notna()]
    truth = rows["true_excess_db"]
    held = (rows["low"] <= truth + 1e-9) & (truth <= rows["high"] + 1e-9)
    return held.groupby([rows["study"], rows["specimen"]]).all()


def clean(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of studies without a leak that comes near a harmonic."""
    near = (rows[[f"true_{name}" for name in LEAKS]] > -40.0).any(axis=1)
    return rows[~rows["study"].isin(rows.loc[near, "study"])]


def share(name: str, hit: pd.Series, by: pd.Series | None = None, wanted: str = "") -> str:
    """A line: percentage with one standard error; `by` groups what is not independent."""
    if not len(hit):
        return f"{name}: none"
    rate = float(hit.mean())
    if by is None:
        error = np.sqrt(rate * (1 - rate) / len(hit))
    else:
        off = (hit.astype(float) - rate).groupby(by.to_numpy()).sum()
        error = np.sqrt((off**2).sum()) / len(hit)
    return (
        f"{name}: {100 * rate:.2f} % of {len(hit)} (standard error {100 * error:.2f} %)"
        f"{'; wanted ' + wanted if wanted else ''}"
    )


def _print_clear(rows: pd.DataFrame) -> None:
    clear = clear_rows(rows)
    for title, part in (("clear rows", clear), ("  truth 0", clear[~clear["true_buzz"]]),
                        ("  truth beyond 3 dB", clear[clear["true_buzz"]])):  # fmt: skip
        print(share(f"{title}, right", part["outcome"] == "right", part["study"], ">= 99 %"))
        print(share("    wrong", part["outcome"] == "wrong", part["study"]))
    for low, high in ((0, 0.1), (0.1, 0.15), (0.15, 0.2), (0.2, 0.3)):
        part = clear[(clear["u"] > low) & (clear["u"] <= high)]
        print(share(f"  u {low} to {high} dB, right", part["outcome"] == "right", part["study"]))
    for low, high in ((0, 4), (4, 8), (8, 16), (16, 10**6)):
        part = clear[(clear["df"] > low) & (clear["df"] <= high)]
        title = f"  spread between takes with {low + 1} to {high} degrees of freedom, right"
        print(share(title, part["outcome"] == "right", part["study"]))
    missed = clear[clear["outcome"] != "right"]
    print(missed.groupby(["scenario", "outcome", "verdict"]).size().to_string())


def leak_at_step(steps: pd.DataFrame) -> pd.Series:
    """Highest leak over the harmonic at the lower drive, dB, if the leak does not fall with it."""
    leak = steps[[f"true_{name}" for name in LEAKS]].max(axis=1)
    return leak - steps["drive_db"] * steps["harmonic"]


def _print_steps(steps: pd.DataFrame) -> None:
    sensed, leak = steps["sensed"], leak_at_step(steps) > -20.0
    for title, part in (
        ("linear, no leak within 20 dB at the step", steps[sensed & ~steps["true_buzz"] & ~leak]),
        ("linear, a leak there", steps[sensed & ~steps["true_buzz"] & leak]),
        ("buzz beyond 3 dB, no leak", steps[sensed & (steps["true_excess_db"] > 3) & ~leak]),
    ):
        print(f"drive steps, {title}:")
        for verdict in ("with the driver", "not with the driver", "cannot tell"):
            print(share(f"  {verdict}", part["verdict"] == verdict, part["study"]))
        boards = (part["verdict"] == "not with the driver").groupby(
            [part["study"], part["specimen"]]
        )
        print(share("  boards with any not with the driver", boards.any()))


def report(rows: pd.DataFrame, steps: pd.DataFrame) -> None:
    """Print all figures."""
    _print_clear(rows)
    linear = linear_boards(rows)
    print(share("linear boards with a beyond the driver", linear, wanted="<= 1 %"))
    print(f"named without its control: {len(named_without_control(rows))} rows; wanted 0")
    false = falsely_named(rows)
    print(f"falsely named: {len(false)} of {len(rows)} rows")
    print(false.groupby(["verdict", "scenario"]).size().to_string())
    leak = (rows[["true_air_db", "true_recorder_db", "true_hum_db"]] > LEAK_DB).any(axis=1)
    missed = rows[leak & (rows["verdict"] == "driver")]
    print(f"driver where a leak is most of the harmonic: {len(missed)} rows")
    print(missed.groupby(["scenario", "missing", "route"]).size().to_string())
    sensed = rows[rows["sensed"]]
    tested = sensed[sensed["missing"] == ""]
    buzzes = tested.groupby(["study", "specimen"])["true_buzz"].transform("any")
    for title, part in (("all", sensed), ("no leak within 40 dB", clean(sensed)),
                        ("no control missing, linear boards", tested[~buzzes]),
                        ("no control missing, boards with a buzz", tested[buzzes]),
                        ("without a motion channel", rows[~rows["sensed"]])):  # fmt: skip
        print(share(f"boards whose intervals all hold, {title}", covered_boards(part),
                    wanted="99 %"))  # fmt: skip
    _print_steps(steps)
    blind = rows[~rows["sensed"]]
    named = blind["verdict"].isin(["driver", "beyond the driver"]).sum()
    print(f"without a motion channel, driver or beyond named: {named} of {len(blind)} rows")
    print(pd.crosstab(rows["scenario"], rows["verdict"]).to_string())


def print_studies(count: int, seed: int) -> None:
    """Simulate studies, judge and print."""
    print(f"{count} studies, seed {seed}")
    report(*studies(count, seed))
    rows, _ = audio_studies(AUDIO_STUDIES)
    clear = clear_rows(rows)
    print(f"{AUDIO_STUDIES} studies through audio files")
    print(share("clear rows, right", clear["outcome"] == "right", clear["study"], ">= 99 %"))
    print(share("linear boards with a beyond the driver", linear_boards(rows), wanted="<= 1 %"))
    print(f"named without its control: {len(named_without_control(rows))} rows; wanted 0")
    print(f"falsely named: {len(falsely_named(rows))} of {len(rows)} rows")
    print(share("boards whose intervals all hold", covered_boards(rows), wanted="99 %"))
    print(pd.crosstab(rows["scenario"], rows["verdict"]).to_string())


def print_families(names: list[str], count: int, seed: int) -> None:
    """A line for each family and size."""
    print(f"{count} benches a family, seed {seed}; false: benches with any false cause, and the")
    print("upper 95 % bound of their share in %; held: boards whose intervals all hold, %; out:")
    print("intervals without their own estimate; right: driver in clear rows, %; open: cannot")
    print("tell where the driver is the cause and no mode is near, %; found: beyond the driver")
    print("where one mount adds more than 4 dB; then the false verdicts.")
    print(f"{'':20s} false    upper   held  out  right  open found")
    for name in names:
        found = benches(name, count, seed)
        sizes = [] if name in ("clean", "load") else list(dict.fromkeys(b.size for b in found))
        print(line_of(name, found), flush=True)
        for size in sizes:
            print(line_of(f"  {size}", [b for b in found if b.size == size]), flush=True)


def main() -> None:
    """Simulate, judge and print."""
    parser = argparse.ArgumentParser(description="Are the verdicts right?")
    parser.add_argument("--family", choices=list(FAMILIES), help="one family of benches")
    parser.add_argument("--benches", type=int, default=300, help="benches a family")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--studies", type=int, help="studies of every scenario instead of benches")
    given = parser.parse_args()
    if given.studies:
        print_studies(given.studies, given.seed)
        return
    names = [given.family] if given.family else list(FAMILIES)
    print_families(names, given.benches, given.seed)


if __name__ == "__main__":
    main()
