"""Codes of a plan: the ways to mount a board that it sets side by side."""

from studylib.codes import Code


class Line(Code):
    """Ways to mount a board, of which a plan shows the power."""

    ONE_MOUNT = "plan.one_mount"
    PLANNED = "plan.planned"
    UNLIMITED = "plan.unlimited_mounts"
