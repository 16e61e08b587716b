"""Codes of the bench: why there is no schedule or signal, what a look at a take found, advice."""

from studylib.codes import Code


class BenchFault(Code):
    """What keeps a study from being scheduled, coded, played or watched."""

    NO_BOARDS = "bench.no_boards"
    ONE_WOOD = "bench.one_wood"
    FEW_BOARDS = "bench.few_boards"
    LONG_SESSION = "bench.long_session"
    TAKES_ALREADY = "bench.takes_already"
    TAKE_ALREADY = "bench.take_already"
    SHARED_FILE = "bench.shared_file"
    NO_SWEEP = "bench.no_sweep"
    SWEEP_TOO_HIGH = "bench.sweep_too_high"
    TONE_TOO_HIGH = "bench.tone_too_high"
    TOO_QUIET = "bench.too_quiet"
    FOLDER_GONE = "bench.folder_gone"
    NOTHING_TO_CODE = "bench.nothing_to_code"
    NAMED_ALREADY = "bench.named_already"


class Found(Code):
    """What a first look at a take found; checks and advice are notes."""

    FAILED = "bench.failed"
    MIND = "bench.mind"
    ROOM_HEARD = "bench.room_heard"  # room_s, ratio_db
    ROOM_HIDES = "bench.room_hides"  # hidden, modes, room_s, ratio_db: None where not known; places


class Room(Code):
    """How to tap in a room, with a microphone."""

    NEAR = "room.near"
    MOVED = "room.moved"  # places
    DAMPED = "room.damped"
    CONTACT = "room.contact"
    BEGIN = "room.begin"
    IN_SHORT = "room.in_short"  # places
