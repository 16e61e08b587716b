"""Why a value of a take is not used: codes of the column `reason` of the features, by what becomes
of such a value. One below the noise (`takes.below_noise`) is an upper limit."""

UNSETTLED = ("takes.off_multiple", "takes.beats", "takes.drifts", "takes.coded", "takes.own_gain")
"""No level of a harmonic can be given."""

ASIDE = ("takes.set_aside", "takes.excluded")
"""The take as a whole is not used."""
