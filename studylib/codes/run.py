"""Codes of a run: what went wrong with a notebook, a page or a report's folder, and its steps."""

from studylib.codes import Code


class RunFault(Code):
    """Why a run, a batch or a page did not come to its end."""

    NO_JOBS = "run.no_jobs"
    NOTHING_RECORDED = "run.nothing_recorded"
    NOTEBOOK_MISSING = "run.notebook_missing"
    STUDY_FOLDER = "run.study_folder"
    NOT_WRITABLE = "run.not_writable"
    HELD = "run.held"
    STOPPED = "run.stopped"
    NO_PARAMETER = "run.no_parameter"
    NOT_PLAIN = "run.not_plain"
    CELL_REFUSED = "run.cell_refused"
    CELL_FAILED = "run.cell_failed"
    KERNEL_ENDED = "run.kernel_ended"
    CELLS_NOT_RUN = "run.cells_not_run"
    NO_PART = "run.no_part"
    NOT_WRITTEN = "run.not_written"
    NO_RESULT = "run.no_result"
    NO_PAGE = "run.no_page"
    OTHER = "run.other"


class BatchState(Code):
    """How a batch stands towards the summary."""

    IN_SUMMARY = "run.in_summary"
    NOT_RUN = "run.not_run"
    CHANGED = "run.changed"


class Doing(Code):
    """What a run is doing, where a notebook does not say so itself."""

    COMPARING = "run.comparing"
    PLAN_TITLE = "run.plan_title"
