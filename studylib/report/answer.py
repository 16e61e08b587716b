"""The answer, for whoever reads one screen: what was found, how sure it is, the biggest "but", and
what to do next.

`answer_code` goes by the verdicts on the primary features alone: from a list of verdicts to one of
the codes of `Answer`. A difference in a number that carries the driver's own distortion never heads
the page as one of woods. Whatever else could be said against the answer stands in the order in
which it could overturn it; the first that applies is the "but".

Conventions: differences as their higher wood over the lower one, so that they are positive.

Functions: `answer_code`, `answer`, `answer_figure`, `but`, `next_step`, `heard`,
`claims`, `beside`, `lead`, `effects_of`. Codes: `Answer`.
"""

from collections import Counter
from collections.abc import Iterable

from matplotlib.figure import Figure

from studylib import codes, figures, register, words
from studylib.codes import Code
from studylib.codes.comparison import Outcome, Verdict
from studylib.figures.style import empty_figure
from studylib.report import pages, preregistration
from studylib.report.audible import audible
from studylib.report.curves import luck_notes
from studylib.report.listening import in_short
from studylib.report.summary import Summary

Answer = Code(
    "Answer",
    {
        "BEYOND": "answer.beyond",
        "DIFFERENT": "answer.different",
        "WITHIN": "answer.within",
        "ALL_WITHIN": "answer.all_within",
        "DRIVER_IN": "answer.driver_in",
        "SAME": "answer.same",
        "PARTLY_SAME": "answer.partly_same",
        "OPEN": "answer.open",
        "BOARDS_ONLY": "answer.boards_only",
        "NOTHING": "answer.nothing",
    },
)
"""What a study's verdicts come to, strongest first."""


SCREEN = (6.6, 3.1)  # inches: readable on a phone as well
# The strongest verdict that a page has decides; those below are the weaker ones.
_STRENGTH = (
    Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN, Verdict.SAME, Verdict.OPEN,
    Verdict.BOARDS_ONLY,
)  # fmt: skip
_DECLARED = _STRENGTH[:3]
_CODES = {
    Verdict.BEYOND: Answer.BEYOND,
    Verdict.DIFFERENT: Answer.DIFFERENT,
    Verdict.WITHIN: Answer.WITHIN,
    Verdict.SAME: Answer.PARTLY_SAME,
    Verdict.OPEN: Answer.OPEN,
    Verdict.BOARDS_ONLY: Answer.BOARDS_ONLY,
}


def answer_code(verdicts: Iterable[tuple[Verdict, bool]]) -> Answer:
    """One code for all primary features and pairs of woods.

    verdicts : (verdict, whether the driver's own distortion is in the feature) of each.
    """
    verdicts = list(verdicts)
    own = [verdict for verdict, driver in verdicts if not (driver and verdict in _DECLARED)]
    best = min(own, key=_STRENGTH.index, default=None)
    within = best == Verdict.WITHIN and set(own) <= {Verdict.WITHIN, Verdict.SAME}
    return codes.holding(
        (len(own) < len(verdicts) and best not in _DECLARED, Answer.DRIVER_IN),
        (best is None, Answer.NOTHING),
        (set(own) == {Verdict.SAME} and len(own) == len(verdicts), Answer.SAME),
        (within, Answer.ALL_WITHIN),
        (True, _CODES.get(best)),
    )[0]


def lead(summary: Summary):
    """The row of effects that heads the page; None where there is none.

    The strongest verdict, one on a number with the driver's distortion in it behind all that are
    declared on the boards' own; among equal ones what stands without a caveat, what was claimed,
    then the order of study.toml.
    """
    claimed = {(c.feature, frozenset((c.higher, c.lower))) for c in summary.study.settings.claims}
    rows = list(summary.primary_effects().itertuples())

    def rank(row) -> tuple:
        laden = register.find(row.feature).driver and row.verdict in _DECLARED
        order = len(_DECLARED) - 0.5 if laden else _STRENGTH.index(row.verdict)
        claim = (row.feature, frozenset((row.wood_a, row.wood_b))) in claimed
        return order, bool(row.caveats), not claim

    return min(rows, key=rank, default=None)


def effects_of(summary: Summary, claim):
    """The row of effects that a claim is about; none while its woods are not compared."""
    effects = summary.comparison.effects
    both = effects[["wood_a", "wood_b"]].isin([claim.higher, claim.lower]).all(axis=1)
    return effects[both & (effects["feature"] == claim.feature)]


def _way(effect: str) -> str:
    """A note that links to the trail of the effect of this id."""
    return pages.link(words.say("trace.way", id=effect), anchor=f"trace-{effect}")


def answer(summary: Summary) -> list[str]:
    """The answer in at most two sentences: what was found, and how sure it is; and the way to the
    recordings behind what heads the page."""
    rows, first = list(summary.primary_effects().itertuples()), lead(summary)
    code = answer_code((row.verdict, register.find(row.feature).driver) for row in rows)
    if code == Answer.NOTHING:
        return [codes.note(code, one_wood=len(summary.woods) < 2)]
    count = Counter(row.verdict for row in rows)
    told = codes.note(
        "answer.count", of=len(rows), features=len({row.feature for row in rows}),
        declared=sum(count[v] for v in _DECLARED), same=count[Verdict.SAME],
        open=count[Verdict.OPEN], boards_only=count[Verdict.BOARDS_ONLY],
        confidence=summary.confidence,
    )  # fmt: skip
    same = list(dict.fromkeys(row.feature for row in rows if row.verdict == Verdict.SAME))
    return [
        codes.note(code, same=same, **_difference(first)),
        codes.several([told, _way(first.id)]),
    ]


def answer_figure(summary: Summary) -> Figure:
    """Every board as a point on what heads the page, in the size of a first screen."""
    row = lead(summary)
    feature = next(iter(summary.measured), "") if row is None else row.feature
    if feature not in summary.measured:
        return empty_figure(words.say("answer.no_figure"), SCREEN)
    return figures.boards_figure(summary.means(feature), size=SCREEN)


def _difference(row) -> dict:
    """A row as its higher wood over the lower one."""
    ends = [row.difference, row.low, row.high]
    higher, lower = row.wood_b, row.wood_a
    if row.difference < 0:
        higher, lower = lower, higher
        turned = (lambda x: -x) if row.unit == "dB" else (lambda x: -100.0 * x / (100.0 + x))
        ends = [turned(row.difference), turned(row.high), turned(row.low)]
    return {
        "name": row.feature, "higher": higher, "lower": lower, "unit": row.unit,
        "difference": ends[0], "low": ends[1], "high": ends[2], "n": [row.n_a, row.n_b],
    }  # fmt: skip


def but(summary: Summary) -> str:
    """What speaks most against the answer, as one note."""
    row = lead(summary)
    if row is None:
        return ""
    driver = register.find(row.feature).driver
    control = summary.of_primary(summary.comparison.positive_control)
    tried = (control["feature"] == row.feature) & control["low"].notna()
    missed = control[tried & control["detected"].eq(False)]
    turns = [one for one in luck_notes(summary.curves, summary.study) if _changes_sign(one, row)]
    unnamed = any(s.source_assumed and not s.role for s in summary.study.specimens)
    return codes.holding(
        (driver, codes.note("answer.but_driver", name=row.feature)),
        (row.caveats, codes.note("answer.but_caveat", caveat=codes.each(row.caveats)[:1])),
        (unnamed, "answer.but_planks"),
        (row.verdict in _DECLARED and turns, (turns or [""])[0]),
        (not missed.empty, codes.note("answer.but_control", name=row.feature)),
        (not preregistration.lock_stands(summary.study), "answer.but_lock"),
        (True, codes.note("answer.but_few", n=min(row.n_a, row.n_b), unit=summary.unit)),
    )[0]


def _changes_sign(one: str, row) -> bool:
    """A note on the luck of the tone that says of this pair that another wood could lead."""
    told = codes.fields_of(one)
    pair = (told.get("a"), told.get("b")) == (row.wood_a, row.wood_b)
    return pair and told["span_db"][0] < 0 < told["span_db"][1]


def next_step(summary: Summary) -> str:
    """What would take the question further, as one note."""
    row = lead(summary)
    if row is None or row.verdict == Verdict.BOARDS_ONLY:
        return codes.note("answer.next_planks", least=summary.study.settings.decide.smallest_n)
    different, unlimited = row.verdict == Verdict.DIFFERENT, row.limit != row.limit
    undecided = row.verdict == Verdict.OPEN
    return codes.holding(
        (register.find(row.feature).driver and row.verdict in _DECLARED, "answer.next_probe"),
        (
            undecided and row.needed,
            codes.note("answer.next_more", needed=row.needed, name=row.feature, unit=summary.unit),
        ),
        (undecided or (different and unlimited), "answer.next_limit"),
        (different, "answer.next_size"),
        (True, "answer.next_again"),
    )[0]


def heard(summary: Summary) -> str:
    """What the study's own blind test came to; without one, whether publications let expect that
    the difference is heard; "" where none is shown."""
    if told := in_short(summary.heard, summary.study.settings):
        return told
    row = lead(summary)
    if row is None or row.verdict not in _DECLARED or register.find(row.feature).driver:
        return ""
    told = _difference(row)
    return audible(
        row.feature,
        low=told["low"],
        high=told["high"],
        microphone=summary.study.settings.channels.response_kind == "microphone",
    )


def beside(summary: Summary) -> dict[str, list[str]]:
    """The "but", whether it is heard, and what is next, each under its label for
    `pages.labelled`."""
    return {
        "answer.label_but": codes.holding((told := but(summary), told)),
        "audible.label": codes.holding((told := heard(summary), told)),
        "answer.label_next": [next_step(summary)],
    }


def claims(summary: Summary) -> dict[str, list[str]]:
    """Each claim in the words of whoever wrote it, what became of it, and its caveat."""
    told = [
        codes.several(
            [
                codes.note(
                    "answer.claim", text=row.claim, outcome=Outcome(row.verdict),
                    caveat=codes.each(row.caveats)[:1],
                ),
                *(map(_way, effects_of(summary, claim)["id"]) if claim else ()),
            ]
        )
        for claim, row in zip(
            (*summary.study.settings.claims, None), summary.claims.itertuples(), strict=False
        )
    ]  # fmt: skip
    return {"answer.label_claims": told}
