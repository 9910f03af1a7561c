"""Several rigs watched at once: the file that names them, and each rig's own file.

format = 1
broker = "mqtts://broker.example:8883"   # or --broker

[[rigs]]
file = "north.toml"          # beside this file, or a shipped rig by its name

[[rigs]]                     # another machine of the same make: the same figures, its own name, title and topics
file = "north.toml"
name = "south"
title = "South"
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field

from monitor.config.fields import Model, Name, Words
from monitor.config.rig import Rig
from monitor.config.rig_file import find_rig, shipped_rigs
from monitor.config.toml_file import ConfigError, read_toml, validate

MOST_RIGS: Final = 200
"""Each is a process."""


class _Entry(Model):
    file: Annotated[str, Field(min_length=1, max_length=1000)]
    name: Name | None = None
    title: Words | None = None
    rules: Annotated[str, Field(min_length=1, max_length=1000)] | None = None


class _Fleet(Model):
    format: Literal[1]
    broker: Annotated[str, Field(min_length=1, max_length=1000)] | None = None
    rigs: Annotated[tuple[_Entry, ...], Field(min_length=1, max_length=MOST_RIGS)]


@dataclass(frozen=True, slots=True)
class RigPlace:
    """Where one rig of several is described. Nothing is read before `rig` is called, and it is read again each time."""

    file: str
    """A rig's file, or the name of a shipped one."""
    name: str | None = None
    """In place of the name in the file."""
    title: str | None = None
    rules: str | None = None
    """Its own catalogue of rules."""

    @property
    def label(self) -> str:
        """What it is called while nobody knows better."""
        return self.name or Path(self.file).stem

    def rig(self) -> Rig:
        """The rig.

        Raises:
            ConfigError: its file has mistakes, or is not there.
        """
        changes = {key: word for key, word in (("name", self.name), ("title", self.title)) if word is not None}
        rig = find_rig(self.file)
        return rig.model_copy(update=changes) if changes else rig


def read_fleet(path: Path) -> tuple[list[RigPlace], str | None]:
    """The rigs in a fleet's file, and the address of their broker where it has one.

    Raises:
        ConfigError: with every mistake of that file; those in the rigs' own files are found when they are read.
    """
    fleet = validate(_Fleet, read_toml(path), str(path))

    def beside(name: str) -> str:
        return name if name in shipped_rigs() else str(path.parent / name)

    places = [
        RigPlace(beside(one.file), one.name, one.title, str(path.parent / one.rules) if one.rules else None)
        for one in fleet.rigs
    ]
    return places, fleet.broker


def check_names(names: Sequence[str]) -> None:
    """Each rig has its own name: recordings, ledgers and topics go by it.

    Raises:
        ConfigError: two have the same.
    """
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ConfigError(
            [
                f"two rigs are called {name!r}: give each a name of its own, in its file or in the fleet's"
                for name in twice
            ]
        )
