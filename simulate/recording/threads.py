"""What a process does before numpy is loaded. This module must import nothing heavy."""

from __future__ import annotations

import os


def one_thread() -> None:
    """Keep the linear algebra library of this process to one thread, unless the user has said how many.

    Processes share the cores already, and the order of sums, hence the last bits, no longer depends on the machine.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def begin_worker() -> None:
    """What a worker process does first: see `one_thread`; and it ends with its parent, however that ends.

    A parent that is killed cannot tell its workers, and they would go on computing for nobody.
    """
    import multiprocessing
    import signal
    import threading
    import warnings

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal sends Ctrl-C to all: the parent answers it
    warnings.simplefilter("ignore")  # a user of the command line has no use for what libraries warn of
    one_thread()
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, name="watches the parent", daemon=True).start()
