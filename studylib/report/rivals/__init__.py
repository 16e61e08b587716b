"""Rival explanations of a difference between woods or of a harmonic, each with what tests it.

`table` puts the rows together; `parts` holds what they share; each other module is one or a few
rivals: driver, leaks (air, recorder), room, buzz, bench (mounting, levels), drift, boards
(dimensions, moisture, planks), mixup.
"""

from studylib.report.rivals.table import RIVAL_COLUMNS, rivals_sentences, rivals_table

__all__ = ["RIVAL_COLUMNS", "rivals_sentences", "rivals_table"]
