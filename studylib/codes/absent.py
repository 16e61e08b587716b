"""Codes that say why there is nothing to show: no result, only what was not recorded."""

ABSENT = frozenset(
    {
        "attribution.no_steps",
        "covariates.nothing",
        "curves.luck_unknown",
        "curves.no_sweeps",
        "curves.one_wood",
        "drift.no_chart",
        "forward.few",
        "forward.no_numbers",
        "forward.no_place",
        "forward.no_split",
        "forward.no_sweeps",
        "modes_report.modes_unknown",
        "modes_report.no_sweeps",
        "modes_report.no_taps",
        "trust.no_power",
        "trust.no_second_opinion",
    }
)
