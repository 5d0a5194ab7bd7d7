"""The accuracy table: recordings with known truth through the real loop, under one disturbance after the other."""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(name, "1")  # two processes, not two processes of many threads; before NumPy is imported
