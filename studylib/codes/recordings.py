"""Codes of recordings: what is unusual about a file."""

from studylib.codes import Code


class RecordingRemark(Code):
    """What is unusual about a recording's file."""

    BREAKS_OFF = "recordings.breaks_off"
    HOLDS_MORE = "recordings.holds_more"
    END_UNREAD = "recordings.end_unread"
    OPEN_LENGTH = "recordings.open_length"
    OTHER_CONTENT = "recordings.other_content"
    LOSSY = "recordings.lossy"  # coding: as libsndfile names it
    OTHER_RATE = "recordings.other_rate"  # file, rate_hz, study_hz
