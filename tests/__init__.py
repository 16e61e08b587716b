"""One thread for each process, as in the kernels of a run; set before anything imports NumPy.

Tests run side by side. The arrays are short: where two processes compete for two cores, a second
thread of the linear algebra makes a tap six times as dear.
"""

import os

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
os.environ.update(dict.fromkeys(THREADS, "1"))
