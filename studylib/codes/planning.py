"""Codes of a plan: the designs and the ways to mount that it sets side by side."""

from studylib.codes import Code


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
