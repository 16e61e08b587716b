"""The three sheets of a study folder, read and checked: the first step, before any sound.

spreadsheet, settings_file   read what spreadsheets and people write
rows, settings               the typed, validated objects
plan_faults, plan_warnings   what the rows say together
files                        the recordings as files: there, inside, not twice
study                        puts it together: `read_study`
template                     what `study new` writes
"""

from studylib.sheets.settings import Settings
from studylib.sheets.study import Specimen, Study, Take, file_hashes, read_study

__all__ = ["Settings", "Specimen", "Study", "Take", "file_hashes", "read_study"]
