"""Statistics of a study: each board is one number.

Takes are averaged within mounts, mounts within specimens, specimens within sources; woods
are compared on the means of their sources. `compare.compare` is the one entry for a whole
study; every other file is one step of it and can be called and tested on its own.

    units        takes -> mounts -> specimens -> sources
    coverage     which features are compared, and why the others are not
    blocks       linear model of the sources' means on wood, with batch as block
    pairs        steadied Games-Howell, Games-Howell and Tukey-Kramer on that model
    studentized  distribution of the studentized range
    effect_size  Hedges' g with its interval
    multiplicity Holm and Benjamini-Hochberg
    verdicts     the words for a pair of woods, and for a claim
    needed       how many sources a wood would have settled it
    effects      puts the last six together: the table of effects
    strata, intervals, reml, nested, precision   variance components and ISO 5725
    mixed, mixed_model   Kenward-Roger and Satterthwaite: the second opinion on woods
    boards, control   named boards, and the positive control
    design, error_rate   what the design cannot say

A finished comparison keeps its `parts`, and is asked further:

    outliers, without   what stands out (ISO 5725-2), and the effects without it
    drift        control chart of the reference, change over a batch, order of the woods
    second_factor   a second column of groups beside the wood
    own_design   error rates and power of this very design, simulated

A plan asks before there is anything to compare: spreads, verdict_power, smallest_design,
allocation, plan_curves, miscounting. Density and stiffness held equal: covariates.

Nothing here knows audio, files or notebooks.
"""
