"""Statistics of a study: each board is one number.

Takes are averaged within mounts, mounts within specimens, specimens within sources; woods
are compared on the means of their sources. `compare.compare` is the one entry for a whole
study; every other file is one step of it and can be called and tested on its own.

    units        takes -> mounts -> specimens -> sources
    coverage     which features are compared, and why the others are not
    blocks       linear model of the sources' means on wood, with batch as block
    pairs        Games-Howell and Tukey-Kramer on that model
    studentized  distribution of the studentized range
    effect_size  Hedges' g with its interval
    multiplicity Holm and Benjamini-Hochberg
    verdicts     the words for a pair of woods, and for a claim
    needed       how many sources a wood would have settled it
    effects      puts the last six together: the table of effects
    strata, intervals, reml, nested, precision   variance components and ISO 5725
    boards, control   named boards, and the positive control
    design, error_rate   what the design cannot say

Nothing here knows audio, files or notebooks.
"""
