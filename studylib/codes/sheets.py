"""Codes of the study folder: what is wrong in a sheet, what to look at, what would be right.

Every fault and warning also carries its place: `file`, and `row`, `column`, `line`, `section`,
`key` or `item` as far as they apply (`words/en/place.j2`).
"""

from studylib.codes import Code


class Right(Code):
    """What would be right in a cell or behind a key; takes the bounds of the field."""

    WHOLE = "right.whole"
    NUMBER = "right.number"
    LIMIT = "right.limit"
    LIMIT_DB = "right.limit_db"
    LIMIT_RATIO = "right.limit_ratio"
    FREQUENCY = "right.frequency"
    RATE = "right.rate"
    SECONDS = "right.seconds"
    MINUTES = "right.minutes"
    MILLIMETRES = "right.millimetres"
    GRAMS = "right.grams"
    RATIO = "right.ratio"
    DECIBELS = "right.decibels"
    DRIVE = "right.drive"
    FULL_SCALE = "right.full_scale"
    SWITCH = "right.switch"
    CHANNEL = "right.channel"
    ONE_OF = "right.one_of"
    TITLE = "right.title"
    QUESTION = "right.question"
    COMPARE = "right.compare"
    BESIDE = "right.beside"
    FEATURES = "right.features"
    FEATURE = "right.feature"
    CLAIM = "right.claim"
    HIGHER = "right.higher"
    LOWER = "right.lower"
    MULTIPLES = "right.multiples"
    DRIVE_STEPS = "right.drive_steps"
    PILOT = "right.pilot"
    SPECIMEN_ID = "right.specimen_id"
    TAKE_ID = "right.take_id"
    GROUP = "right.group"
    GROUP_BESIDE = "right.group_beside"
    SOURCE = "right.source"
    SESSION = "right.session"
    RECORDING = "right.recording"
    SIZE = "right.size"
    MOISTURE = "right.moisture"
    ORDER = "right.order"
    TONE = "right.tone"
    GAIN = "right.gain"
    PLACE = "right.place"
    MOVED = "right.moved"
    MIC_TIMES = "right.mic_times"
    CELSIUS = "right.celsius"
    HUMIDITY = "right.humidity"
    REASON = "right.reason"
    ANYTHING = "right.anything"


class CellFault(Code):
    """What one cell of a table, or one key of study.toml, gets wrong by itself."""

    UNFIT = "cells.unfit"
    EMPTY = "cells.empty"
    MISSING = "cells.missing"
    NEEDED = "cells.needed"
    NOT_A_NUMBER = "cells.not_a_number"
    DECIMAL_COMMA = "cells.decimal_comma"
    TWO_MARKS = "cells.two_marks"
    TOO_LARGE = "cells.too_large"
    NOT_WHOLE = "cells.not_whole"
    NOT_A_MOMENT = "cells.not_a_moment"
    NOT_YES = "cells.not_yes"
    UNPRINTABLE = "cells.unprintable"
    UNKNOWN_WORD = "cells.unknown_word"
    BACKSLASH = "cells.backslash"
    LEADS_OUT = "cells.leads_out"
    FREE_WITHOUT_TAP = "cells.free_without_tap"
    PLACE_WITHOUT_TAP = "cells.place_without_tap"  # kind
    TEST_OF_ANOTHER_KIND = "cells.test_of_another_kind"  # column, kind, kinds
    REPEATED = "cells.repeated"


class SheetFault(Code):
    """What is wrong with a file of the study folder, or between its rows."""

    NO_FOLDER = "sheets.no_folder"
    NO_FILE = "sheets.no_file"
    UNREADABLE = "sheets.unreadable"
    WORKBOOK = "sheets.workbook"
    UTF_16 = "sheets.utf_16"
    NOT_UTF_8 = "sheets.not_utf_8"
    NO_HEADER = "sheets.no_header"
    NO_ROWS = "sheets.no_rows"
    TABS = "sheets.tabs"
    COLUMN_UNPRINTABLE = "sheets.column_unprintable"
    COLUMN_TWICE = "sheets.column_twice"
    NO_COLUMN = "sheets.no_column"
    OPEN_QUOTE = "sheets.open_quote"
    STRAY_TEXT = "sheets.stray_text"
    MIXED_MARKS = "sheets.mixed_marks"
    UNKNOWN_SPECIMEN = "sheets.unknown_specimen"
    ID_TWICE = "sheets.id_twice"
    SECOND_REFERENCE = "sheets.second_reference"
    SAME_TAKE = "sheets.same_take"
    MOUNT_IN_TWO_BATCHES = "sheets.mount_in_two_batches"
    TURNED_IN_PART = "sheets.turned_in_part"  # specimen, mount, other_row
    BATCHES_SHARE_FILE = "sheets.batches_share_file"
    MIXED_TIME_ZONES = "sheets.mixed_time_zones"
    LINK_OUT = "sheets.link_out"
    FOLDER_NOT_FILE = "sheets.folder_not_file"
    NO_RECORDING = "sheets.no_recording"
    EMPTY_RECORDING = "sheets.empty_recording"
    CANNOT_OPEN = "sheets.cannot_open"
    SAME_FILE = "sheets.same_file"
    COPY = "sheets.copy"
    NO_SPECIMEN = "sheets.no_specimen"
    NO_BATCH = "sheets.no_batch"
    NEW_IS_FILE = "sheets.new_is_file"
    NEW_NOT_EMPTY = "sheets.new_not_empty"
    NEW_UNWRITABLE = "sheets.new_unwritable"


class SheetWarning(Code):
    """What a person should look at in the tables before believing the report."""

    UNKNOWN_COLUMN = "sheets.unknown_column"
    TEXT_COLUMN = "sheets.text_column"
    COVARIATE_LIKE_KNOWN = "sheets.covariate_like_known"
    NO_SIZES = "sheets.no_sizes"
    NO_REFERENCE = "sheets.no_reference"
    PLANKS_UNNAMED = "sheets.planks_unnamed"  # rows, woods
    FEW_PLANKS = "sheets.few_planks"  # planks: wood -> number; least
    SHARED_SOURCE = "sheets.shared_source"
    SPELLINGS = "sheets.spellings"
    FORMULA = "sheets.formula"
    REASON_UNUSED = "sheets.reason_unused"
    SKIPPED = "sheets.skipped"
    NO_TAKES = "sheets.no_takes"
    FEWER_MOUNTS = "sheets.fewer_mounts"
    REFERENCE_NOT_IN_BATCH = "sheets.reference_not_in_batch"
    ODD_TONE = "sheets.odd_tone"
    CALIBRATOR_UNUSED = "sheets.calibrator_unused"
    NO_CALIBRATOR = "sheets.no_calibrator"
    SAME_ORDER = "sheets.same_order"
    WAITING = "sheets.waiting"
    UNNAMED_RECORDINGS = "sheets.unnamed_recordings"


class SettingsFault(Code):
    """What is wrong in study.toml."""

    KEY_TWICE = "settings.key_twice"
    NOT_TOML = "settings.not_toml"
    NOT_A_SECTION = "settings.not_a_section"
    CLAIM_BRACKETS = "settings.claim_brackets"
    SAME_CHANNEL = "settings.same_channel"
    NO_DRIVE_KIND = "settings.no_drive_kind"
    NO_DRIVE = "settings.no_drive"
    TWO_LEVELS = "settings.two_levels"
    FEW_PERIODS = "settings.few_periods"
    TAP_RANGE = "settings.tap_range"
    SWEEP_INCOMPLETE = "settings.sweep_incomplete"
    SWEEP_NARROW = "settings.sweep_narrow"
    SWEEP_FAST = "settings.sweep_fast"
    NO_FEATURE = "settings.no_feature"
    NOT_COMPARED = "settings.not_compared"
    CLAIM_NOT_PRIMARY = "settings.claim_not_primary"
    CLAIM_ONE_WOOD = "settings.claim_one_wood"
    CLAIM_UNKNOWN_WOOD = "settings.claim_unknown_wood"
    COMPARE_UNFIT = "settings.compare_unfit"
    BESIDE_UNFIT = "settings.beside_unfit"


class SettingsWarning(Code):
    """What a person should look at in study.toml."""

    UNKNOWN_KEY = "settings.unknown_key"
    ON_THE_MAINS = "settings.on_the_mains"
    HARMONIC_ON_MAINS = "settings.harmonic_on_mains"  # fundamental_hz, mains_hz, multiples
    LEVEL_UNUSED = "settings.level_unused"


class RecordFault(Code):
    """What is wrong with the schedule, the lock or the key of a blind study."""

    UNREADABLE = "records.unreadable"
    LOCKED_ALREADY = "records.locked_already"
    LOCK_EDITED = "records.lock_edited"
    OTHER_LOCK = "records.other_lock"  # file, sha256, known
    STRANGE_KEY = "records.strange_key"
    ALL_CODED = "records.all_coded"
    NOT_BLIND = "records.not_blind"
    OPENED_ALREADY = "records.opened_already"
    NO_KEY = "records.no_key"
    OTHER_KEY = "records.other_key"
    KEY_WITHOUT_COLUMN = "records.key_without_column"
    NOT_IN_KEY = "records.not_in_key"
    OTHER_CODE = "records.other_code"


class Change(Code):
    """What is no longer as it was locked."""

    LOCK = "records.lock_changed"
    SETTING = "records.setting_changed"
    CLAIM_REMOVED = "records.claim_removed"
    CLAIM_ADDED = "records.claim_added"
    ROWS_REMOVED = "records.rows_removed"  # file, names
    ROWS_ADDED = "records.rows_added"  # file, names
    CELLS = "records.cells_changed"  # file, column, cells: each with name, before, now
    KEY = "records.key_changed"  # file, key
    LIBRARY = "records.library_changed"  # before, now
