"""The summary of a study: everything that the report shows, held in one place.

What it does: `summarise` compares the woods and keeps study, measurements and comparison
together; the methods give figures and tables their rows; `write` leaves tables and figures
beside the report. The reader's tables are in `report.tables`, the sentences in `report.text`.

Conventions: values in the feature's own unit, differences in dB or percent, woods in the order
of specimens.csv.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from studylib import elsewhere, figures, register, sheets, tables, writing
from studylib.attribution import Attribution, attribute_study, verdicts
from studylib.figures.style import empty_figure, video_frame
from studylib.modes.gathered import Gathered
from studylib.report import listening, made, preregistration
from studylib.report.budgets import make_budgets
from studylib.report.checks import Checks, checks_of, own_rows
from studylib.report.curves import Curves, curves_of
from studylib.report.modes import StudyModes, modes_of_study
from studylib.report.predicted import Parts, Predicted, parts_of, predicted_of
from studylib.sheets.study import recording_order
from studylib.stats import decisions, repeat, samples
from studylib.stats.compare import Comparison, compare
from studylib.stats.covariates import Covariates, analyse_covariates
from studylib.wood.study_wood import U_MOISTURE_PCT
from studylib.words import say

BEHIND = ("wood.density_kg_m3", "wood.youngs_modulus_gpa")


@dataclass(frozen=True)
class Summary:
    """A study, what was gathered from its batches, whose harmonics they are, and its woods.

    modes : what rings, and the wood itself.  covariates : the differences with density,
    stiffness or size held equal.  stages : see `stats.repeat`; without rows while there is only one
    stage.  shown : of the figures that were asked for, by file name, the page's and what gives the
    video frame. All else is of the last stage that is recorded.
    """

    study: sheets.Study
    gathered: Gathered
    comparison: Comparison
    attribution: Attribution
    modes: StudyModes
    covariates: Covariates
    stages: pd.DataFrame = field(default_factory=lambda: tables.empty("stages"))
    shown: dict[str, tuple[Figure, Callable[[], bytes]]] = field(default_factory=dict, init=False)

    @cached_property
    def checks(self) -> Checks:
        """Drift, order, what stands out, what this design can do: made when first asked for."""
        return checks_of(self.study, self.comparison)

    @cached_property
    def budgets(self) -> pd.DataFrame:
        """What each feature is not known by, term by term: made when first asked for."""
        return make_budgets(self)

    @cached_property
    def curves(self) -> Curves:
        """The woods over frequency: made when first asked for."""
        return curves_of(self.study, self.gathered.curves, self.comparison)

    @cached_property
    def predicted(self) -> Predicted:
        """What the boards' own numbers predict over frequency: made when first asked for."""
        return predicted_of(self.study, self.modes.model, self.curves.levels)

    @cached_property
    def parts(self) -> Parts:
        """What the woods' differences act through: made when first asked for."""
        return parts_of(self.study, self.predicted, self.curves, self.comparison)

    @cached_property
    def heard(self) -> pd.DataFrame:
        """The study's blind test, the table `listening`: made when first asked for."""
        return listening.heard_of(self.study, self.gathered.quality)

    @property
    def claims(self) -> pd.DataFrame:
        """Every claim and what became of it, the one about what is heard at the end."""
        heard = listening.claim_of(self.heard, self.study)
        claims = pd.concat([self.comparison.claims, heard], ignore_index=True)
        return preregistration.coded_claims(self.study, claims)

    @property
    def woods(self) -> tuple[str, ...]:
        """The woods under comparison, in the order of specimens.csv."""
        return self.study.woods

    @property
    def confidence(self) -> float:
        """Of every sentence at this look, 0.5 to 1: the study's, unless several were planned."""
        return self.comparison.workings.confidence

    @property
    def primary(self) -> tuple[str, ...]:
        """The features that the study was set up to decide on."""
        return self.study.settings.decide.primary

    @property
    def usable(self) -> list[register.Feature]:
        """The primary features with usable takes that may be compared."""
        return [register.find(name) for name in self.comparison.workings.usable]

    @property
    def measured(self) -> tuple[str, ...]:
        """The primary features of which at least one board has a usable take."""
        means = self.comparison.specimen_means
        known = set(means.loc[means["role"] == "", "feature"])
        return tuple(feature for feature in self.primary if feature in known)

    @property
    def unit(self) -> str:
        """What one number of a wood's sample is: "board" when each is its own source."""
        compared = [s for s in self.study.specimens if not s.role]
        own = len({(s.wood, s.source) for s in compared}) == len(compared)
        return "board" if own else "source"

    def means(self, feature: str) -> samples.FeatureMeans:
        """One feature of every compared board, and the means of the woods."""
        known = register.find(feature)
        shown = {s.specimen: s.shown for s in self.study.specimens}
        own = [
            table[(table["feature"] == feature) & (table["role"] == "")]
            .reset_index(drop=True)
            .assign(specimen=lambda rows: rows["specimen"].map(shown))
            for table in (self.comparison.specimen_means, self.comparison.mount_means)
        ]
        woods = samples.wood_means(self.comparison.unit_means, known, confidence=self.confidence)
        effects = self.comparison.effects.query("feature == @feature")
        return samples.FeatureMeans(known, self.woods, *own, woods, self.confidence, effects)

    def primary_effects(self) -> pd.DataFrame:
        """The rows of the effects table that decide."""
        effects = self.comparison.effects
        return effects[effects["role"] == "primary"].reset_index(drop=True)

    def of_primary(self, table: pd.DataFrame) -> pd.DataFrame:
        """The rows of a table that are of primary features."""
        return table[table["feature"].isin(self.primary)].reset_index(drop=True)

    def figure(self, name: str) -> Figure:
        """A figure of the report at the page's size, whose video frame is begun with it; `write`
        lays out none that was shown."""
        frame = elsewhere.begin(partial(video_frame, self.drawings[name]))
        self.shown[name] = self.drawings[name](), frame
        return self.shown[name][0]

    def board_figures(self) -> list[Figure]:
        """`figure` for each measured primary feature; where there is none, one that says so."""
        names = [name for name in self.drawings if name.startswith("boards_")]
        return [self.figure(name) for name in names] or [
            empty_figure(say("figures_effects.no_boards"), None)
        ]

    @cached_property
    def drawings(self) -> dict[str, Callable[..., Figure]]:
        """Every figure of the report: file name -> function that draws it (option `size`)."""
        study, checks, usable = self.study, self.checks, self.usable
        harmonics, confidence = self.attribution.table, self.confidence
        effects, clearest = self.primary_effects(), verdicts.clearest_specimen(harmonics)
        return {
            "effects": partial(figures.effects_figure, effects, confidence=confidence),
            "variance": partial(
                figures.variance_figure,
                self.of_primary(self.comparison.variance),
                declared=set(effects.loc[effects["verdict"].isin(decisions.DECLARED), "feature"]),
            ),
            **{
                f"boards_{feature}": partial(figures.boards_figure, self.means(feature))
                for feature in self.measured
            },
            "heard": partial(figures.heard_figure, self.heard, confidence=confidence),
            "excess": partial(figures.excess_figure, harmonics, study),
            **({"story": partial(figures.story_figure, harmonics, clearest)} if clearest else {}),
            "curves": partial(figures.curves_figure, self.curves, study),
            "predicted": partial(figures.predicted_figure, self.predicted, study),
            "split": partial(figures.split_figure, self.parts),
            "spectra": partial(figures.spectra_figure, self.gathered.spectra, study),
            "drift": partial(figures.drift_figure, checks.chart, checks.takes, usable),
        }

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables that a run writes, by file name."""
        return {
            "quality": self.gathered.quality,
            "features": self.gathered.features,
            "variance": self.comparison.variance,
            "woods_at_random": self.comparison.woods_at_random,
            "budgets": self.budgets,
            "effects": self.comparison.effects,
            "boards": self.comparison.boards,
            "attribution": self.attribution.table,
            "drive_steps": self.attribution.steps,
            "harmonics": self.gathered.harmonics,
            "modes": self.modes.numbered,
            "board_modes": self.modes.boards,
            "modes_near_tone": self.modes.near,
            "wood": self.modes.wood,
            "curves": self.gathered.curves,
            "curve_boards": self.curves.boards,
            "curve_differences": self.curves.differences,
            "curve_tests": self.curves.tests,
            "curve_spreads": self.curves.spreads,
            "predicted": self.predicted.curves,
            "predicted_mounts": self.predicted.mounts,
            "split": self.parts.table,
            "covariates": self.covariates.table,
            "claims": self.claims,
            "listening": self.heard,
            "stages": self.stages,
            "second_opinion": self.comparison.second_opinion,
            "outliers": self.checks.outliers.drop(columns=["ids", "says"]),
            "effects_without": self.checks.left_out,
            "reference_chart": self.checks.chart,
            "trends": self.checks.trends,
            "own_design": own_rows(self.checks, self.comparison),
        }

    def write(self, output: Path | str, *beside: Callable[["Summary", Path], None]) -> None:
        """Write `figures/` and `tables/` into the folder `output`, each whole or not at all.

        The tables come last, so that they are only there when everything else is.

        beside : what else is written among the figures, each called with this and their folder.
        """
        output = Path(output)
        output.mkdir(parents=True, exist_ok=True)
        writing.fill_folder(output / "figures", partial(self._write_figures, beside))
        about = {
            "name": self.study.name, "title": self.study.settings.study.title,
            "semicolons": self.study.semicolons,
        }  # fmt: skip
        writing.fill_folder(
            output / "tables", partial(tables.write_package, self.tables(), **about)
        )

    def _write_figures(self, beside: Iterable[Callable], folder: Path) -> None:
        left = {
            name: (None, elsewhere.begin(partial(video_frame, draw)))
            for name, draw in self.drawings.items()
            if name not in self.shown
        }
        for write in beside:
            write(self, folder)
        # From the last on: frames that are drawn beside this process are begun from the first on.
        for name, draw in reversed(self.drawings.items()):
            figures.save_sizes(draw, folder, name, *(self.shown | left)[name])


def summarise(study: sheets.Study, gathered: Gathered) -> Summary:
    """Compare the woods of a study on what its batches gave: those of its last stage, and where it
    has earlier ones, what that repeats and what all of them show. Where looks were planned, all
    stages that have their names are compared together.

    Parameters
    ----------
    study : from `read_study`.
    gathered : from `studylib.modes.gathered.gather`.
    """
    if len(study.stages) == 1:
        part = study.of_stages(*study.stages)
        return _of_one_stage(part, gathered, part.woods)
    last = study.compared
    summary = _of_one_stage(last, gathered.of(last), study.woods)
    if len(last.stages) > 1:
        return summary
    parts = {number: study.of_stages(number) for number in study.recorded_stages}
    named = [number for number, part in parts.items() if not part.coded]
    own = {
        number: summary.comparison
        if (number,) == last.stages
        else _compared(parts[number], gathered.of(parts[number]), study.woods)[2]
        for number in named
    }
    if len(own) < 2:
        return summary
    whole = study.of_stages(*named)
    together = _compared(whole, gathered.of(whole), study.woods)[2]
    return replace(summary, stages=repeat.stage_rows(own, together, confidence=summary.confidence))


def _compared(
    study: sheets.Study, gathered: Gathered, woods: Sequence[str]
) -> tuple[Gathered, StudyModes, Comparison]:
    """What was gathered with the features of the wood, its modes, and the comparison; `woods` gives
    the order of the woods."""
    decide = study.settings.decide
    modes = modes_of_study(study, gathered)
    gathered = _with_wood(gathered, modes)
    comparison = compare(
        gathered.features,
        study.specimen_table(),
        woods=[wood for wood in woods if wood in study.woods],
        primary=decide.primary,
        confidence=decide.confidence,
        looks=study.looks,
        smallest_n=decide.smallest_n,
        limits=dict(decide.limits),
        claims=[
            {"text": c.text, "feature": c.feature, "higher": c.higher, "lower": c.lower}
            for c in study.settings.claims
        ],
        locked=preregistration.lock_stands(study),
        own_limits=set(decide.limits),
        listening=study.settings.channels.response_kind == "microphone",
        places=recording_order(study.takes) if decide.take_out_drift else None,
        made=made.made_of(study, gathered),
    )
    return (
        gathered,
        modes,
        replace(comparison, claims=preregistration.coded_claims(study, comparison.claims)),
    )


def _of_one_stage(study: sheets.Study, gathered: Gathered, woods: Sequence[str]) -> Summary:
    """The summary of a study or of one stage; `woods` gives the order of the woods."""
    attribution = elsewhere.begin(
        partial(
            attribute_study,
            study,
            gathered.harmonics,
            batches=[batch for batch in study.batches if batch not in gathered.failed],
            board_modes=gathered.board_modes,
        )
    )
    gathered, modes, comparison = _compared(study, gathered, woods)
    decide = study.settings.decide
    return Summary(
        study=study,
        gathered=gathered,
        comparison=comparison,
        attribution=attribution(),
        modes=modes,
        covariates=analyse_covariates(
            comparison,
            study.specimen_table(),
            # What may stand behind a difference between woods.
            modes.wood[modes.wood["quantity"].isin(BEHIND) & modes.wood["value"].notna()].rename(
                columns={"quantity": "covariate"}
            )[["specimen", "covariate", "value", "u"]],
            uncertainties={
                name.removeprefix("u_"): u for name, u in study.settings.wood if name[:2] == "u_"
            }
            | {"moisture_pct": U_MOISTURE_PCT},
            woods=study.woods,
            features=decide.primary,
            confidence=comparison.workings.confidence,
        ),
    )


def _with_wood(gathered: Gathered, modes: StudyModes) -> Gathered:
    """The same with the features of the wood among the others."""
    frames = [frame for frame in (gathered.features, modes.features) if not frame.empty]
    features = pd.concat(frames or [gathered.features], ignore_index=True)
    return replace(gathered, features=features)


def write_summary(summary: Summary, output: str, *beside: Callable[[Summary, Path], None]) -> str:
    """`Summary.write` into `output`, or nothing when it is empty; a note says so."""
    if not output:
        return "summary.not_written"
    summary.write(output, *beside)
    return "summary.written"
