"""Codes of recordings: what is wrong with a file, and what is unusual about one."""

from studylib.codes import Code


class RecordingFault(Code):
    """Why a recording cannot be used."""

    NOT_THERE = "recordings.not_there"
    NO_SAMPLES = "recordings.no_samples"
    LOW_RATE = "recordings.low_rate"  # file, rate_hz, lowest_hz; study_hz where it is known
    NO_AUDIO = "recordings.no_audio"
    NO_LENGTH = "recordings.no_length"
    DAMAGED = "recordings.damaged"
    TOO_SHORT = "recordings.too_short"


class RecordingRemark(Code):
    """What is unusual about a recording's file."""

    BREAKS_OFF = "recordings.breaks_off"
    HOLDS_MORE = "recordings.holds_more"
    END_UNREAD = "recordings.end_unread"
    OPEN_LENGTH = "recordings.open_length"
    OTHER_CONTENT = "recordings.other_content"
    LOSSY = "recordings.lossy"  # coding: as libsndfile names it
    OTHER_RATE = "recordings.other_rate"  # file, rate_hz, study_hz
