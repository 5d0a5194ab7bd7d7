"""Python functions compiled by numba, ready to call, from numba's cache where there is one."""

import contextlib
import logging
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import njit

log = logging.getLogger("bolotip")

Kernel = Any  # called like the plain function; numba's dispatcher has no type of its own for mypy


def ready(function: Callable[..., Any], fastmath: set[str], once: Callable[[Kernel], object]) -> Kernel:
    """`function`, compiled. `once` calls it with arguments of the types it is meant for, which makes numba compile or load
    it now. A cache that can't be written or was damaged by a power cut costs the seconds of compiling and a line in the
    log, never the measurement."""
    try:
        compiled = njit(cache=True, fastmath=fastmath, nogil=True)(function)
    except RuntimeError:  # numba found no folder
        log.warning(
            "kernel cache: no folder to write to, so the kernel is compiled at every start; set NUMBA_CACHE_DIR to one"
        )
        return _called(_uncached(function, fastmath), once)
    folder = str(compiled.stats.cache_path)
    try:
        return _called(compiled, once)
    except OSError as error:
        log.warning("kernel cache: %s: cannot be used (%s); compiled for this run", folder, error.strerror or error)
    except Exception as error:  # whatever reading cut-off or overwritten files may raise
        log.warning("kernel cache: %s: damaged (%s); removed, and compiled for this run", folder, error)
        module = function.__module__.rsplit(".", 1)[-1]
        for file in Path(folder).glob(f"{module}.{function.__name__}-*.nb?"):
            with contextlib.suppress(OSError):
                file.unlink()
    return _called(_uncached(function, fastmath), once)


def _uncached(function: Callable[..., Any], fastmath: set[str]) -> Kernel:
    return njit(cache=False, fastmath=fastmath, nogil=True)(function)


def _called(compiled: Kernel, once: Callable[[Kernel], object]) -> Kernel:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        once(compiled)
    return compiled
