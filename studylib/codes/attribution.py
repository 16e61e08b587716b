"""Codes of the attribution: verdicts on harmonics and drive steps, their reasons, the controls."""

from enum import StrEnum

from studylib.codes import Code


class Verdict(StrEnum):
    """What a harmonic of one mount comes from, in the order in which it is asked."""

    NOISE = "noise"
    RECORDER = "recorder"
    AIR = "air"
    BENCH = "bench"
    DRIVER = "driver"
    BEYOND = "beyond the driver"
    CANNOT_TELL = "cannot tell"


class StepVerdict(StrEnum):
    """Whether a harmonic grows with the drive as the sensed one does."""

    WITH = "with the driver"
    NOT_WITH = "not with the driver"
    CANNOT_TELL = "cannot tell"


class Control(Code):
    """What can be recorded to settle a harmonic; part: name, tells, ask, how, start or care."""

    PROBE = "controls.probe"
    SWEEP = "controls.sweep"
    SENSOR = "controls.sensor"
    DRIVER = "controls.driver"
    AIRBORNE = "controls.airborne"
    LOOPBACK = "controls.loopback"
    ROOM = "controls.room"
    IDLE = "controls.idle"
    PROBE_AFTER = "controls.probe_after"
    TURNED = "controls.turned"
    MOVED = "controls.moved"
    FARTHER = "controls.farther"
    LEVELS = "controls.levels"
    REPEATS = "controls.repeats"
    LONGER = "controls.longer"
    REMOUNT = "controls.remount"
    STEPS = "controls.steps"
    TAPS = "controls.taps"
    ELSEWHERE = "controls.elsewhere"
    BOARDS = "controls.boards"


class Route(Code):
    """The takes that say what the mounted board passes on."""

    PROBE = "attribution.probe"
    SWEEP = "attribution.sweep"
    OTHER_PROBE = "attribution.other_probe"
    OTHER_SWEEP = "attribution.other_sweep"


class Cause(Code):
    """What makes an interval wide, or may be part of a harmonic: at_hz, tone_hz, route."""

    NOISE = "attribution.cause_noise"
    DRIVE = "attribution.cause_drive"
    RESPONSE = "attribution.cause_response"
    BLOCK = "attribution.cause_block"
    REMOUNT = "attribution.cause_remount"
    TAKES = "attribution.cause_takes"
    FREQUENCY = "attribution.cause_frequency"
    SWEEP = "attribution.cause_sweep"
    DRIVE_RECORDER = "attribution.cause_drive_recorder"
    AIR = "attribution.cause_air"
    RECORDER = "attribution.cause_recorder"
    MAINS = "attribution.cause_mains"
    LOAD = "attribution.cause_load"


class Looks(Code):
    """What repeats that disagree in phase look like."""

    INVERTED = "attribution.looks_inverted"
    BOTH_INVERTED = "attribution.looks_both_inverted"
    LINE = "attribution.looks_line"
    WANDERS = "attribution.looks_wanders"


class Rival(Code):
    """A cause on the bench that an excess may have beside the board, as it stands in a list."""

    LEVEL_CONTROL = "attribution.rival_level_control"
    MICROPHONE = "attribution.rival_microphone"
    SENSOR = "attribution.rival_sensor"
    SETTLING = "attribution.rival_settling"
    ROCKING = "attribution.rival_rocking"
    ROOM = "attribution.rival_room"
    LINE = "attribution.rival_line"
    DRIVE_GAIN = "attribution.rival_drive_gain"
    OTHER = "attribution.rival_other"


class Reason(Code):
    """Why a harmonic has its verdict."""

    UNUSABLE = "attribution.unusable"
    UNSETTLED = "attribution.unsettled"
    BELOW_NOISE = "attribution.below_noise"
    MAINS = "attribution.mains"
    RECORDER = "attribution.recorder"
    AIR = "attribution.air"
    AIR_ELSEWHERE = "attribution.air_elsewhere"
    BENCH = "attribution.bench"
    DRIVER = "attribution.driver"
    DRIVER_ON_BLOCK = "attribution.driver_on_block"
    BEYOND = "attribution.beyond"
    NOT_SENSED = "attribution.not_sensed"
    NOT_PROBED = "attribution.not_probed"
    NO_DRIVER_TAKE = "attribution.no_driver_take"
    NO_PROBE = "attribution.no_probe"
    NO_BLOCK_PROBE = "attribution.no_block_probe"
    NOT_REPEATED = "attribution.not_repeated"
    APART = "attribution.apart"
    PHASE = "attribution.phase"
    SHARED = "attribution.shared"
    HIDDEN = "attribution.hidden"
    MODES_UNKNOWN = "attribution.modes_unknown"
    ODD_BESIDE = "attribution.odd_beside"
    NOT_RULED_OUT = "attribution.not_ruled_out"
    ROOM_LEFT = "attribution.room_left"
    ONE_WOOD = "attribution.one_wood"
    FEW_BOARDS = "attribution.few_boards"
    NOT_ABOVE_OTHERS = "attribution.not_above_others"
    RIVALS_LEFT = "attribution.rivals_left"
    LOAD = "attribution.load"
    DRIVE_BELOW_NOISE = "attribution.drive_below_noise"
    TAKES_DISAGREE = "attribution.takes_disagree"
    WEAKER = "attribution.weaker"
    NEAR_MARGIN = "attribution.near_margin"
    WIDE = "attribution.wide"


class OtherMounts(Code):
    """Whether an excess comes back in the board's other mounts."""

    NONE = "attribution.mounted_once"
    ALL = "attribution.in_all_mounts"
    THIS = "attribution.in_this_mount"
    SOME = "attribution.in_some_mounts"


class AttributionFault(Code):
    """What cannot be shown."""

    NO_SPECIMEN = "attribution.no_specimen"
