"""Work that goes on beside other work, on another core where there is one."""

import os
import pickle
import sys
import warnings
from collections.abc import Callable
from typing import Any


def beside(work: Callable[[], Any]) -> Callable[[], Any]:
    """Start ``work`` and return a function that waits for its result.

    On Linux with two cores or more it runs in a copy of this process; elsewhere, when its result
    is asked for. What it returns must be picklable; what it raises is raised where its result is
    asked for. It must not write files or print.
    """
    if not sys.platform.startswith("linux") or len(os.sched_getaffinity(0)) < 2:
        return work
    sys.stdout.flush()  # what waits to be printed must not be printed twice
    sys.stderr.flush()
    read, write = os.pipe()
    with warnings.catch_warnings():
        # Newer Pythons warn of threads; those of the linear algebra library are ready for this.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        _work(work, read, write)
    os.close(write)

    def result() -> Any:
        with os.fdopen(read, "rb") as pipe:
            answer = pipe.read()
        os.waitpid(child, 0)
        if not answer:  # it was killed: do it here, where what goes wrong can be seen
            return work()
        value, error = pickle.loads(answer)  # our own child's
        if error is not None:
            raise error
        return value

    return result


def _work(work: Callable[[], Any], read: int, write: int) -> None:
    """Do the work in the copy, hand over its result, and end without any farewell."""
    try:
        os.close(read)
        try:
            answer = (work(), None)
        except Exception as error:
            answer = (None, error)
        try:
            told = pickle.dumps(answer)
        except Exception:
            told = b""
        with os.fdopen(write, "wb") as pipe:
            pipe.write(told)
    finally:
        os._exit(0)
