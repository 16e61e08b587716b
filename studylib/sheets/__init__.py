"""The three sheets of a study folder, read and checked: the first step, before any sound.

files, settings_file         read what spreadsheets and people write; the recordings as files
rows, settings               the typed, validated objects; field_fault names what does not fit
tables, between_rows         each table as a whole, and what its rows say together
first_study                  `study new` and `study add`
records, lock, blinding      the schedule and the ledger, the lock, the keys of a blind study
listening, answers           the folder of a blind test by ear, how an answer is sealed and read
study                        puts it together: `read_study`
"""

from studylib.sheets.settings import Settings
from studylib.sheets.study import Specimen, Study, Take, read_study

__all__ = ["Settings", "Specimen", "Study", "Take", "read_study"]
