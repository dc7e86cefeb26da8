"""What a process does before numpy is loaded. This module must import nothing heavy."""

from __future__ import annotations

import os


def one_thread() -> None:
    """Keep the linear algebra library of this process to one thread, unless the user has said how many.

    Processes share the cores already, and the order of sums, hence the last bits, no longer depends on the machine.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
