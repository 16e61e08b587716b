"""A blind test by ear: its excerpts, its trials, its page, and what keeps it from being made.

Outside references: `sha256sum` of GNU coreutils for the marks.
"""

from __future__ import annotations

from studylib.sheets import listening


def test_a_mark_is_what_sha256sum_says_of_the_row_behind_the_mark_before():
    # printf '%s' 'abcd,T,L1,1,t1,2,0,7' | sha256sum
    first = listening.mark("abcd", ("T", "L1", "1", "t1", "2", "0", "7"))
    assert first == "a5ed101c65d92616"
    # printf '%s' 'a,b' 'c,d' | sha256sum
    assert listening.name_of("a,b", "c,d") == "afa35ee21ad5d487"
