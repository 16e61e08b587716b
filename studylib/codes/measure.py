"""Codes of the measurement: tones that cannot be fitted, levels, facts of a session, parts."""

from studylib.codes import Code


class ToneFault(Code):
    """Why a tone cannot be fitted."""

    FEW_PERIODS = "measure.few_periods"
    NEAR_HALF_RATE = "measure.near_half_rate"


class Level(Code):
    """What the levels of a batch are relative to, and what is odd about it."""

    RELATIVE = "measure.relative"
    FULL_SCALE = "measure.full_scale"
    CALIBRATOR = "measure.calibrator"
    NO_CALIBRATOR = "measure.no_calibrator"
    APART = "measure.apart"


class Fact(Code):
    """A fact of the session at the bench."""

    NAMES = "measure.names"
    TAKES = "measure.takes"
    TONE = "measure.tone"
    RATE = "measure.rate"
    CHANNEL = "measure.channel"
    NO_CHANNEL = "measure.no_channel"
    ROOM = "measure.room"
    NO_ROOM = "measure.no_room"
    RANGE = "measure.range"
    TIMES = "measure.times"
    NOT_GIVEN = "measure.not_given"
    MAINS = "measure.mains"  # mains_hz, takes, multiples, at_hz
    LINE = "measure.line"  # multiple, at_hz, ratio_db (over the harmonic), takes, more


class BatchFault(Code):
    """A batch that cannot be measured, found or used."""

    NONE_OPENS = "measure.none_opens"
    NO_BATCH = "measure.no_batch"
    UNKNOWN_BATCH = "measure.unknown_batch"
    NOT_WHOLE = "measure.not_whole"
    NOT_RUN = "measure.not_run"
    FIRST_OF = "measure.first_of"  # fault: a note; more: how many others there are
