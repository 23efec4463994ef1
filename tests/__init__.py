"""The tests, and the long runs in `campaigns`."""

from __future__ import annotations

import os

# Small matrices, one after the other: a second thread of the linear algebra only gets in the way,
# the more the busier the machine. Read once, when the numbers are loaded: said before.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
