"""Rival explanations of a difference between woods or of a harmonic, each with what tests it.

`table` puts the rows and the further doubts together; `basis` holds what rivals share; each other
module is a few of them: `harmonics` (driver, air, recorder, room, a loose contact), `bench`
(mounting, level, drift), `boards` (dimensions, moisture, planks, a mix-up). Their words are in
`words/en/rivals.j2` and `words/en/doubts.j2`.
"""

from studylib.report.rivals.table import rivals_sentences, rivals_table

__all__ = ["rivals_sentences", "rivals_table"]
