"""Words for what stands out beside the verdicts, and by which test."""

from enum import StrEnum


class StandsOut(StrEnum):
    """How far a board, mount or take lies from its like (ISO 5725-2)."""

    STRAGGLER = "straggler"  # beyond the 5 % point of its test
    OUTLIER = "outlier"  # beyond the 1 % point


class OutlierTest(StrEnum):
    """By which test."""

    GRUBBS = "Grubbs"
    COCHRAN = "Cochran"
