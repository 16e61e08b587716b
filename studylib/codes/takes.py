"""Why a value of a take is not used."""

from studylib.codes import Code


class Unused(Code):
    """Reasons of the column `reason` of the features that decide what becomes of a value."""

    BELOW_NOISE = "takes.below_noise"  # the value is an upper limit
    OFF_MULTIPLE = "takes.off_multiple"  # harmonic, cents, u: a single partial beside its place
    BEATS = "takes.beats"  # harmonic, swing_db, apart_hz: two lines there
    DRIFTS = "takes.drifts"  # harmonic, change_db: from start to end of the take
    SET_ASIDE = "takes.set_aside"  # checks: notes of what failed
    BAND_FILLED = "takes.band_filled"  # by the tone
    EXCLUDED = "takes.excluded"  # reason: as takes.csv gives it, or ""


UNSETTLED = (Unused.OFF_MULTIPLE, Unused.BEATS, Unused.DRIFTS)
"""No level of a harmonic can be given."""

ASIDE = (Unused.SET_ASIDE, Unused.EXCLUDED)
"""The take as a whole is not used."""
