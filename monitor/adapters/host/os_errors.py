"""Why the disk refuses a file of ours, in words that say what to do."""

import errno
import sqlite3
from pathlib import Path

from monitor.adapters.host.handles import no_handles


def why_refused(error: Exception, path: Path, then: str) -> str:
    """Why the file at `path` cannot be written, and what to do about it; `then` says what happens once it can be."""
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
