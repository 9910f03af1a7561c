"""Configuration files: TOML becomes a model, or one error that lists every mistake with its file and field."""

import json
import os
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from monitor.errors import UserError

M = TypeVar("M", bound=BaseModel)

_PLAIN: Final = {"extra_forbidden": "there is no such field; is it misspelt?", "missing": "this field is missing"}

FilePath = str | os.PathLike[str]
"""Where a file is; the core's signatures use this name, since it has no file API of its own."""


class ConfigError(UserError):
    """A configuration that cannot be used. `problems` holds one sentence each: file, field, what is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


def config_root() -> Path:
    """Folder of the shipped configuration, in a checkout as in an installed wheel."""
    package = Path(str(resources.files("monitor")))
    shipped = package / "_config"
    return shipped if shipped.is_dir() else package.parent / "config"


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """The parsed TOML `text`; `where` names it in errors.

    Raises:
        ConfigError: it is not TOML.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # the parser also lets Python's limit on digits through
        raise ConfigError([f"{where}: not valid TOML: {error}"]) from None


def read_text(path: Path) -> str:
    """The text of a configuration file.

    Raises:
        ConfigError: the file is missing or unreadable.
    """
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigError([f"{path}: no such file"]) from None
    except IsADirectoryError:
        raise ConfigError([f"{path}: is a folder, not a file"]) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"{path}: cannot be read ({error})"]) from None


def read_toml(path: FilePath) -> dict[str, Any]:
    """The parsed TOML file.

    Raises:
        ConfigError: the file is missing, unreadable or not TOML.
    """
    return parse_toml(read_text(Path(path)), str(path))


def problems_of(error: ValidationError, where: str) -> Iterator[str]:
    """Each problem of a pydantic error as one sentence: file, field, what is wrong."""
    found = error.errors(include_url=False, include_context=False)
    for item in found:
        loc = item["loc"]
        if item["type"] == "too_short" and any(other["loc"][: len(loc)] == loc != other["loc"] for other in found):
            continue  # entries that are wrong themselves are not counted: that they are too few says nothing more
        field = ".".join(str(part) for part in loc)
        message = _PLAIN.get(item["type"]) or item["msg"].removeprefix("Value error, ")
        for text in message.split("; ") if item["type"] == "value_error" else [message]:
            yield f"{where}: {field}: {text}" if field else f"{where}: {text}"


def validate(model: type[M], data: Any, where: str) -> M:
    """`data` as a `model`.

    Raises:
        ConfigError: every problem at once, each with `where` and the field.
    """
    try:
        text = json.dumps(data, default=str)
    except (ValueError, RecursionError) as error:
        raise ConfigError([f"{where}: holds something too large or too deep ({error})"]) from None
    try:
        return model.model_validate_json(text)
    except ValidationError as error:
        raise ConfigError(list(problems_of(error, where))) from None


def named_file(name_or_path: str, shipped: Mapping[str, Path]) -> Path | None:
    """Where a configuration file lies: one of the `shipped` by its name, or any by its path. None: neither."""
    if name_or_path in shipped:
        return shipped[name_or_path]
    return Path(name_or_path) if name_or_path.endswith(".toml") or os.sep in name_or_path else None
