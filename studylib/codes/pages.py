"""Codes of the pages: the few words that a page adds to what it shows."""

from studylib.codes import Code


class PageWords(Code):
    """What a table says of itself, and what is wrong with how it was asked for."""

    NOTHING = "pages.nothing"
    FIRST_ROWS = "pages.first_rows"
    NO_COLUMN = "pages.no_column"
    LEVEL = "pages.level"
