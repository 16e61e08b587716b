"""Codes of what is asked beside the verdicts: outliers, order and drift, the second column."""

from enum import StrEnum

from studylib.codes import Code


class StandsOut(StrEnum):
    """How far a board, mount or take lies from its like (ISO 5725-2)."""

    STRAGGLER = "straggler"  # beyond the 5 % point of its test
    OUTLIER = "outlier"  # beyond the 1 % point


class OutlierTest(StrEnum):
    """By which test."""

    GRUBBS = "Grubbs"
    COCHRAN = "Cochran"


class Outliers(Code):
    """What stands out, and what hangs on it."""

    TOO_FEW = "outliers.too_few"
    TESTS = "outliers.tests"  # tests, expected, found
    NONE = "outliers.nothing"
    FOUND = "outliers.found"  # items, outliers
    NO_CHANGE = "outliers.no_change"
    CHANGES = "outliers.changes"  # feature, item, pairs


class Order(Code):
    """Woods in the order of recording."""

    UNKNOWN = "drift.order_unknown"
    MIXED = "drift.order_mixed"  # correlation, p
    CONFOUNDED = "drift.order_confounded"  # correlation, p, first, last


class Drift(Code):
    """The bench over the session."""

    NO_CHART = "drift.no_chart"
    NO_LIMITS = "drift.no_limits"  # feature, specimen, mounts
    INSIDE = "drift.inside"  # feature, specimen, mounts, most, limit, unit
    OUTSIDE = "drift.outside"  # feature, specimen, mounts, most, limit, unit, outside
    CHANGE = "drift.change"  # feature, change, low, high, unit, removed
    NONE = "drift.steady"


class Second(Code):
    """A second column of groups beside the wood."""

    NOT_NAMED = "second_column.not_named"
    ONE_GROUP = "second_column.one_group"  # name
    CONFOUNDED = "second_column.confounded"  # name, parts
    HELD_EQUAL = "second_column.held_equal"  # name
    REMARK = "second_column.remark"  # features, remark: one of those below
    TOO_FEW = "second_column.too_few"
    NO_FREEDOM = "second_column.no_freedom"
    INSEPARABLE = "second_column.inseparable"  # name
    NOT_CONVERGED = "second_column.not_converged"
    NOT_ALIKE = "second_column.not_alike"  # p
