"""Codes of the attribution: verdicts on harmonics and drive steps, controls, causes, rivals."""

from enum import StrEnum

from studylib.codes import Code

Verdict = StrEnum(
    "Verdict",
    {
        "NOISE": "noise",
        "RECORDER": "recorder",
        "AIR": "air",
        "BENCH": "bench",
        "DRIVER": "driver",
        "BEYOND": "beyond the driver",
        "CANNOT_TELL": "cannot tell",
    },
)
"""What a harmonic of one mount comes from, in the order in which it is asked."""


StepVerdict = StrEnum(
    "StepVerdict",
    {
        "WITH": "with the driver",
        "NOT_WITH": "not with the driver",
        "CANNOT_TELL": "cannot tell",
    },
)
"""Whether a harmonic grows with the drive as the sensed one does."""


Control = Code(
    "Control",
    {
        "PROBE": "controls.probe",
        "SWEEP": "controls.sweep",
        "SENSOR": "controls.sensor",
        "DRIVER": "controls.driver",
        "AIRBORNE": "controls.airborne",
        "LOOPBACK": "controls.loopback",
        "ROOM": "controls.room",
        "IDLE": "controls.idle",
        "PROBE_AFTER": "controls.probe_after",
        "TURNED": "controls.turned",
        "MOVED": "controls.moved",
        "FARTHER": "controls.farther",
        "LEVELS": "controls.levels",
        "REPEATS": "controls.repeats",
        "LONGER": "controls.longer",
        "REMOUNT": "controls.remount",
        "STEPS": "controls.steps",
        "TAPS": "controls.taps",
        "ELSEWHERE": "controls.elsewhere",
        "BOARDS": "controls.boards",
    },
)
"""What can be recorded to settle a harmonic; part: name, tells, ask, how, start or care."""


Cause = Code(
    "Cause",
    {
        "NOISE": "attribution.cause_noise",
        "DRIVE": "attribution.cause_drive",
        "RESPONSE": "attribution.cause_response",
        "BLOCK": "attribution.cause_block",
        "REMOUNT": "attribution.cause_remount",
        "TAKES": "attribution.cause_takes",
        "FREQUENCY": "attribution.cause_frequency",
        "SWEEP": "attribution.cause_sweep",
        "DRIVE_RECORDER": "attribution.cause_drive_recorder",
        "AIR": "attribution.cause_air",
        "RECORDER": "attribution.cause_recorder",
        "MAINS": "attribution.cause_mains",
        "LOAD": "attribution.cause_load",
    },
)
"""What makes an interval wide, or may be part of a harmonic: at_hz, tone_hz, route."""


Rival = Code(
    "Rival",
    {
        "LEVEL_CONTROL": "attribution.rival_level_control",
        "MICROPHONE": "attribution.rival_microphone",
        "SENSOR": "attribution.rival_sensor",
        "SETTLING": "attribution.rival_settling",
        "ROCKING": "attribution.rival_rocking",
        "ROOM": "attribution.rival_room",
        "LINE": "attribution.rival_line",
        "DRIVE_GAIN": "attribution.rival_drive_gain",
        "OTHER": "attribution.rival_other",
    },
)
"""A cause on the bench that an excess may have beside the board, as it stands in a list."""
