"""Where the past of a run can be read."""

from dataclasses import dataclass
from pathlib import Path

from monitor.adapters.sessions.folder import session_files


@dataclass(frozen=True, slots=True)
class Record:
    """Files of sessions, as text: it also goes to viewers in a browser."""

    folder: str = ""
    """Of a live run: all sessions of the rig in it."""
    rig: str = ""
    files: tuple[str, ...] = ()
    """Of a replay or a simulation: these, and nothing else."""

    def paths(self) -> list[Path]:
        """The sessions, oldest first."""
        return [Path(file) for file in self.files] or [*session_files(Path(self.folder), self.rig)]
