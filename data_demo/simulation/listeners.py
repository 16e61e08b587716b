"""Invented listeners: what each truly hears of the blind test, and the files that they would save.

Nobody listened. A listener hears the odd one out in a share of trials, of its own for boards of two
woods and for two boards of one wood, never among takes of one board; in the other trials the answer
is a guess. One answers "2" throughout, as somebody does who wants to be done. No sound comes into
it: the shares are made up.

Contents: LISTENERS, write_results.
"""

import csv
import hashlib
from dataclasses import asdict, dataclass
from pathlib import Path

from .streams import stream


@dataclass(frozen=True)
class Listener:
    """Shares of trials in which the odd one is truly heard; ``always`` is given instead, or 0."""

    listener: str
    two_woods: float
    one_wood: float
    always: int = 0


LISTENERS = (
    Listener("invented-1", 0.85, 0.25),
    Listener("invented-2", 0.75, 0.15),
    Listener("invented-3", 0.70, 0.20),
    Listener("invented-4", 0.60, 0.10),
    Listener("invented-5", 0.60, 0.10),
    Listener("invented-6", 0.50, 0.05),
    Listener("invented-7", 0.40, 0.05),
    Listener("invented-8", 0.20, 0.00),
    Listener("invented-9", 0.00, 0.00, always=2),
)
HEADER = ("test", "listener", "place", "trial", "answer", "replays", "seconds", "mark")


def write_results(folder: Path) -> None:
    """Write listening/results/ and truth/listeners.csv; the test itself has to be there."""
    home = folder / "listening"
    texts = [(home / name).read_text(encoding="utf-8") for name in ("trials.csv", "excerpts.csv")]
    trials = list(csv.DictReader(texts[0].splitlines()))
    results = home / "results"
    results.mkdir(exist_ok=True)
    for listener in LISTENERS:
        rows = _rows(_digits("".join(texts)), listener, trials)
        _write(results / f"{listener.listener}.csv", [HEADER, *rows])
    truth = [asdict(listener) for listener in LISTENERS]
    _write(folder / "truth" / "listeners.csv", [[*truth[0]], *(row.values() for row in truth)])


def _rows(test: str, listener: Listener, trials: list[dict[str, str]]) -> list[list[str]]:
    """Answers in the order of the trials; each mark rests on the one before it."""
    rng, rows, mark = stream(f"listener {listener.listener}"), [], test
    for trial in sorted(trials, key=lambda one: int(one["place"])):
        one_wood = trial["wood_a"] == trial["wood_b"]
        share = 0.0 if trial["null"] else listener.one_wood if one_wood else listener.two_woods
        guess, heard = int(rng.integers(1, 4)), rng.random() < share
        answer = listener.always or (int(trial["odd"]) if heard else guess)
        rest = [str(int(rng.integers(0, 4))), str(int(rng.integers(6, 25)))]
        cells = [test, listener.listener, trial["place"], trial["trial"], str(answer), *rest]
        mark = _digits(",".join([mark, *cells]))
        rows.append([*cells, mark])
    return rows


def _digits(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]


def _write(path: Path, rows: list) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)
