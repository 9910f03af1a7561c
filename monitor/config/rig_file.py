"""Finding a rig's file and loading it: file → frozen model."""

import os
from pathlib import Path

from monitor.config.rig import Rig
from monitor.config.toml_file import ConfigError, config_root, named_file, read_toml, validate


def load_rig(path: str | os.PathLike[str]) -> Rig:
    """The rig in the TOML file at `path`.

    Raises:
        ConfigError: with every problem of the file.
    """
    return validate(Rig, read_toml(Path(path)), str(path))


def shipped_rigs() -> dict[str, Path]:
    """Rig files that come with Stopmark, by name."""
    return {path.stem: path for path in sorted((config_root() / "rigs").glob("*.toml"))}


def find_rig(name_or_path: str) -> Rig:
    """A shipped rig by name, or any rig file by path.

    Raises:
        ConfigError: neither exists, or the file has problems.
    """
    shipped = shipped_rigs()
    path = named_file(name_or_path, shipped)
    if path is not None:
        return load_rig(path)
    raise ConfigError([f"no rig is called {name_or_path!r}; shipped rigs: {', '.join(shipped)}; or give a .toml file"])
