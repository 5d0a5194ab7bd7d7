"""Opening a serial port: for camera, load board, the link of the records and its desk end alike."""

import errno
import os
from typing import Any


def open_port(port: str, baud: int, timeout_s: float = 0.0) -> Any:
    """The serial port, for this process alone. OSError, with its number: not there now, in use, not permitted.
    ValueError: a baud rate that it cannot do."""
    import termios

    import serial

    try:
        return serial.Serial(port, baud, timeout=timeout_s, exclusive=True)
    except termios.error as e:  # lost while it was being opened
        raise OSError(*e.args) from None
    except ValueError as e:  # of a baud rate out of the usual ones: pyserial calls a port that is just lost so, too
        cause = e.__context__
        if isinstance(cause, OSError) and cause.errno != errno.EINVAL:
            raise OSError(cause.errno, cause.strerror) from None
        raise
    except serial.SerialException as e:
        if e.errno == errno.EAGAIN:  # of the lock
            raise OSError(errno.EBUSY, "in use by another program") from None
        raise OSError(e.errno or errno.EIO, os.strerror(e.errno) if e.errno else str(e)) from None
