"""Codes of the front door: what a Python caller can put right."""

from studylib.codes import Code


class CallFault(Code):
    """An argument that cannot be used."""

    ARGUMENT = "front.argument"
    NO_COLUMN = "front.no_column"
    UNKNOWN_SPECIMENS = "front.unknown_specimens"
    ONE_ROW_EACH = "front.one_row_each"
    NO_BATCH = "front.no_batch"
