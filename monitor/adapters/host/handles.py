"""Whether the process can still open anything."""

import errno
import os


def no_handles() -> bool:
    """Whether this process, or the machine, has no file handle left. Libraries only say that they cannot open or look up."""
    try:
        os.close(os.open(os.devnull, os.O_RDONLY))
    except OSError as error:
        return error.errno in (errno.EMFILE, errno.ENFILE)
    return False
