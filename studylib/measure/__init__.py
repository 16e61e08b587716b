"""From recordings to long tables: every take of a batch, checked and measured once.

take       one take: read once, transformed once; from full scale to a level
features   which numbers a kind of take gives; complex amplitudes at the multiples of the tone, and
           lines beside them
rings      what taps and sweeps hold, as tables; sweep_rows
session    what every take of a batch is measured against, and the facts of the session
batch      puts it together: `measure_batch`; what a batch leaves for the summary
"""

from studylib.measure.batch import BatchMeasurement, measure_batch
from studylib.measure.session import common_rate

__all__ = ["BatchMeasurement", "common_rate", "measure_batch"]
