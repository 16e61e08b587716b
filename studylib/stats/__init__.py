"""Statistics of a study: each board is one number.

Takes are averaged within mounts, mounts within specimens, specimens within sources; woods
are compared on the means of their sources. `compare.compare` is the one entry for a whole
study; every other file is one step of it and can be called and tested on its own.

    units        takes -> mounts -> specimens -> sources
    design       which features are compared, whether wood and batch go together, and what the
                 comparison cannot say
    samples      one feature made ready, the models that features share, the mean squares, and
                 means as a reader sees them
    blocks       linear model of the sources' means on wood, with batch as a block
    pairs        Welch's t of every pair, for no difference, beyond and within a limit
    families     many pairs and many features: closed testing, Shaffer, Holm, Benjamini-Hochberg
    studentized  distribution of the studentized range
    decisions    verdicts, Hedges' g
    power        how likely a verdict is, and how many sources of each wood that takes
    effects      puts the last five together: the table of effects; and the claims
    reml, components   variance components and ISO 5725
    mixed        Kenward-Roger and Satterthwaite: the second opinion on woods
    boards       named boards, and the positive control
    scales       scales and limits

A finished comparison keeps its `workings`, and is asked further:

    outliers     what stands out (ISO 5725-2), and the effects when it is left out
    drift        control chart of the reference, change over a batch, order of the woods
    repeat       stages: does a later one repeat what was declared before?
    power        its `own_design`: error rates and power of this very design, simulated

The study's own blind test by ear has a chapter of its own: listening.

A plan asks before there is anything to compare: planning. Density, stiffness and sizes held equal:
covariates, with the errors in them: adjusted.

What is found travels as codes (`codes.comparison`); nothing here knows words, audio, files or
notebooks.
"""
