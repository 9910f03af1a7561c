"""Errors of the operating system, in words that say what to do."""

import errno
import os
import sqlite3
import ssl
from pathlib import Path


def short_reason(error: BaseException) -> str:
    """What the system says about `error`, without the file names and numbers around it."""
    if isinstance(error, OSError) and error.strerror and not isinstance(error, ssl.SSLError):
        return error.strerror
    return str(error)


def no_handles() -> bool:
    """Whether this process, or the machine, has no file handle left. Libraries only say that they cannot open or look up."""
    try:
        os.close(os.open(os.devnull, os.O_RDONLY))
    except OSError as error:
        return error.errno in (errno.EMFILE, errno.ENFILE)
    return False


def disk_error_text(error: Exception, path: Path, then: str) -> str:
    """Why the file at `path` cannot be written, what to do about it, and in `then` what happens after that."""
    text = str(error).replace(str(path), "").lower()  # a name may hold any of the words that are looked for
    number = error.errno if isinstance(error, OSError) else None
    folder = path.parent
    if number in (errno.ENOSPC, errno.EDQUOT) or "full" in text or "no space" in text:
        return f"the disk is full: free some space in {folder}; {then}"
    if isinstance(error, PermissionError) or "readonly" in text or "read-only" in text:
        return f"no permission to write in {folder}: give it; {then}"
    if number in (errno.EMFILE, errno.ENFILE) or (isinstance(error, sqlite3.OperationalError) and no_handles()):
        return f"no file handles are left: raise the limit of open files; {then}"
    if isinstance(error, FileNotFoundError) or not folder.is_dir():
        return f"the folder {folder} is not there: bring it back; {then}"
    if "locked" in text or "busy" in text:
        return f"{path} is held by another program: wait for it or end it; {then}"
    if "unable to open" in text:
        return f"{path} cannot be opened for writing: check the folder's permissions and space; {then}"
    return f"{path} cannot be written ({error}); {then}"
