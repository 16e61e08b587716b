"""What taps, sweeps and modes can tell, and why one is not used."""

from studylib.codes import Code


class TapReason(Code):
    """Why a tap is refused, or a recording of taps holds none."""

    SECOND_KNOCK = "taps.second_knock"  # after_ms
    BREAKS_OFF = "taps.breaks_off"
    NO_MODES = "taps.no_modes"
    RING_CHANGES = "taps.ring_changes"  # after_ms
    FASTER_THAN_ANOTHER = "taps.faster_than_another"  # times
    NO_DECAYS = "taps.no_decays"  # steps: the search of a sweep was ended after so many
    NO_TAP = "taps.no_tap"
    TOO_LONG = "taps.too_long"  # limit_s
    NOT_NUMBERS = "taps.not_numbers"


class TapSign(Code):
    """What a ring shows beside its modes."""

    LATER_CONTACT = "taps.later_contact"  # after_ms
    REFLECTION = "taps.reflection"  # after_ms
    DIES_FASTER = "taps.dies_faster"  # after_ms, times
    SOME_FASTER = "taps.some_faster"  # frequencies_hz, times
    LEFT_OVER = "taps.left_over"  # frequencies_hz
    STARTS_AT_KNOCK = "taps.starts_at_knock"  # ahead_s


class ModeReason(Code):
    """Why a take or a board lacks a mode."""

    NO_USABLE_TAP = "modes.no_usable_tap"  # taps, reasons: of the taps, where known
    NOT_NUMBERED = "modes.not_numbered"
    NOT_IN_BOARD = "modes.not_in_board"  # mode, taps
    NOT_IN_TAKE = "modes.not_in_take"  # mode
    NO_DECAY = "modes.no_decay"
    ROOM_HIDES = "modes.room_hides"  # percent; direct_db, room_decay_s: where known
    UNKNOWN_BOARDS = "modes.unknown_boards"  # boards


class SweepReason(Code):
    """Why a response from a sweep is not used."""

    AT_THE_EDGE = "sweeps.at_the_edge"
    TOO_SHORT = "sweeps.too_short"
    ENDS_TOO_SOON = "sweeps.ends_too_soon"
