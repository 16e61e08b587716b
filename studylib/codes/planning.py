"""Codes of a plan: what a design can find, where its spreads are from, what it never settles."""

from studylib.codes import Code


class PlanFault(Code):
    """Why nothing can be planned."""

    F_TEST = "plan.f_test_impossible"  # n, woods
    SMALL_EFFECT = "plan.small_effect"  # effect_f, most
    ONE_SOURCE = "plan.one_source"
    ZERO_SPREAD = "plan.zero_spread"
    PILOT_COLUMNS = "plan.pilot_columns"  # name, missing
    PILOT_LACKS = "plan.pilot_lacks"  # name, feature
    PILOT_FLAT = "plan.pilot_flat"  # name, feature
    FEW_MINUTES = "plan.few_minutes"  # budget, woods, least
    ONE_WOOD = "plan.one_wood"
    NO_PILOT = "plan.no_pilot"  # name
    PILOT_UNREADABLE = "plan.pilot_unreadable"  # name


class Origin(Code):
    """Where a plan's spreads are from."""

    COMMON = "plan.common"  # board, mount, take, unit
    PILOT = "plan.pilot"  # name, unseen: the levels that it does not show


class Line(Code):
    """Ways to mount a board, of which a plan shows the power."""

    ONE_MOUNT = "plan.one_mount"
    PLANNED = "plan.planned"
    UNLIMITED = "plan.unlimited_mounts"


class Design(Code):
    """Designs of about the minutes of the one that is planned (`Line.PLANNED`)."""

    TAKES = "plan.takes_only"
    MOUNTS = "plan.mounts_only"
    BEST = "plan.best_design"


class Planned(Code):
    """What a plan says."""

    DESIGN = "plan.design"
    DETECTED = "plan.detected"
    NEEDED = "plan.needed"
    MINUTES = "plan.minutes"
    OPTIMUM = "plan.optimum"  # mounts, takes, feature
    NO_OPTIMUM = "plan.no_optimum"
    AIM_DETECT = "plan.aim_detect"  # size
    AIM_SAME = "plan.aim_same"  # size
    WRITTEN = "plan.written"
    NOT_WRITTEN = "plan.not_written"


class Never(Code):
    """What a design cannot settle, however well it is recorded."""

    WOOD = "plan.never_wood"  # woods, least
    SAME = "plan.never_same"
    BEYOND = "plan.never_beyond"  # feature, share
    DRIVER = "plan.never_driver"
    TEST = "plan.never_test"  # control, minutes (over the study), key, planned
    WHY = "plan.never_why"
