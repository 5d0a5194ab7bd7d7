"""Files that survive a power cut, and others' hands."""

import errno
import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make a new or renamed entry of `folder` last. OSError."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def still_there(path: Path, handle: int) -> None:
    """OSError where another file has taken the place of the open one, as editors and copying programs make it: what is
    written to `handle` would then be lost with it."""
    here, ours = os.stat(path), os.fstat(handle)
    if (here.st_dev, here.st_ino) != (ours.st_dev, ours.st_ino):
        raise OSError(errno.ESTALE, f"another file has taken the place of {path.name}")
