"""The command line: a file per command."""

from __future__ import annotations

import os

# The matrices here are small: to spread one over all processors costs more than it saves. The
# linear algebra reads this once, as it is loaded, which is after this file.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
