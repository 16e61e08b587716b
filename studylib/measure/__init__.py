"""From recordings to long tables: every take of a batch, checked and measured once.

calibration  from full scale to a level
take         one take: read once, transformed once
features     which numbers a kind of take gives
rings        what taps and sweeps hold, as tables; sweep_rows
bench, spectra   the facts of the sitting; thinned spectra for the figures
sitting      what every take of a batch is measured against
batch        puts it together: `measure_batch`
parts        what a batch leaves for the summary
"""

from studylib.measure.batch import (
    FEATURE_COLUMNS,
    QUALITY_COLUMNS,
    BatchMeasurement,
    check_batch,
    measure_batch,
)
from studylib.measure.sitting import common_rate

__all__ = [
    "FEATURE_COLUMNS",
    "QUALITY_COLUMNS",
    "BatchMeasurement",
    "check_batch",
    "common_rate",
    "measure_batch",
]
