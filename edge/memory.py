"""Memory of the process: what the temporary maps of a fix took goes back to the system after it.

The C library keeps freed memory for later; after the first fixes that is 5 to 10 MB at 256 x 192 pixels and 27 MB at
640 x 480, for work that is done once in ten seconds. Asked, it gives it back.
"""

import contextlib
import ctypes


def give_back() -> None:
    """Hand freed memory back. Takes a millisecond; only glibc knows how, elsewhere nothing happens."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
