"""Configuration files: TOML becomes a model, or one error that lists every mistake with its file and field."""

import json
import os
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from monitor.errors import UserError
from monitor.files import read_bounded

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

M = TypeVar("M", bound=BaseModel)

_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "extra_forbidden": "there is no such field; is it misspelt?",
        "missing": "this field is missing",
        "union_tag_not_found": "kind: this field is missing",
        "union_tag_invalid": "kind: there is no {tag!r}; known: {expected_tags}",
        "model_type": "must be a table of fields",
        "dict_type": "must be a table of fields",
        "list_type": "must be a list in [ ]",
        "tuple_type": "must be a list in [ ]",
        "too_short": "needs at least {min_length} entries, has {actual_length}",
        "too_long": "takes {max_length} entries at most, has {actual_length}",
        "string_too_short": "needs at least {min_length} characters",
        "string_too_long": "has room for {max_length} characters",
        "string_type": 'must be text in " "',
        "bool_type": "must be true or false",
        "int_type": "must be a whole number",
        "float_type": "must be a number",
        "finite_number": "must be a finite number",
        "literal_error": "must be {expected}",
        "enum": "must be {expected}",
        "greater_than_equal": "must be {ge:g} or more",
        "less_than_equal": "must be {le:g} or less",
        "greater_than": "must be above {gt:g}",
        "less_than": "must be below {lt:g}",
    }
)
"""What is wrong, by pydantic's name for it, in words for whoever wrote the file."""
_TINY: Final = 1e-6
"""A least value below this only keeps products of numbers from vanishing: to a person it means "above 0"."""
MOST_BYTES: Final = 512 << 10
"""Of a configuration file; the longest that ships has a tenth of it. Parsing takes two hundred times as much memory."""
_SHOWN: Final = 40
"""So many characters of a wrong value are repeated."""

FilePath = str | os.PathLike[str]
"""Where a file is; the core's signatures use this name, since it has no file API of its own."""


class ConfigError(UserError):
    """A configuration that cannot be used. `problems` holds one sentence each: file, field, what is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems

    def __reduce__(self) -> tuple[type["ConfigError"], tuple[list[str]]]:
        """From one process to another as the list that it was made of."""
        return type(self), (self.problems,)


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
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:  # the parser also lets Python's limit on digits through
        raise ConfigError([f"{where}: not valid TOML: {error}"]) from None


def read_text(path: Path) -> str:
    """The text of a configuration file.

    Raises:
        ConfigError: the file is missing, unreadable, no regular file or too large.
    """
    try:
        # With a byte-order mark or without: some editors write one.
        return read_bounded(path, MOST_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        raise ConfigError([f"{path}: no such file"]) from None
    except IsADirectoryError:
        raise ConfigError([f"{path}: is a folder, not a file"]) from None
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read ({error.strerror or error})"]) from None
    except UnicodeDecodeError as error:
        raise ConfigError(
            [f"{path}: cannot be read: it is not in UTF-8 ({error.reason} at byte {error.start})"]
        ) from None


def read_toml(path: FilePath) -> dict[str, Any]:
    """The parsed TOML file.

    Raises:
        ConfigError: the file is missing, unreadable or not TOML.
    """
    return parse_toml(read_text(Path(path)), str(path))


def _problems(error: ValidationError, data: Any, where: str) -> Iterator[str]:
    """Each problem of a pydantic error about `data` as one sentence: file, field, what is wrong."""
    found = error.errors(include_url=False)
    for item in found:
        loc = item["loc"]
        if item["type"] == "too_short" and any(other["loc"][: len(loc)] == loc != other["loc"] for other in found):
            continue  # entries that are wrong themselves are not counted: that they are too few says nothing more
        field = _field(loc, data)
        for text in _sentences(item):
            yield f"{where}: {field}: {text}" if field else f"{where}: {text}"


def _sentences(item: "ErrorDetails") -> list[str]:
    """What is wrong, without the field; of a validator of ours that found several things, each."""
    kind, context = item["type"], item.get("ctx", {})
    if kind == "value_error":
        sentences = item["msg"].removeprefix("Value error, ").split("; ")
    elif kind == "greater_than_equal" and 0.0 < float(context["ge"]) < _TINY:
        sentences = ["must be above 0"]
    else:
        sentences = [_WORDS[kind].format(**context) if kind in _WORDS else item["msg"]]
    value = item["input"]
    if sentences[0].startswith("must") and isinstance(value, str | int | float | bool | None):
        shown = json.dumps(value, ensure_ascii=False)
        sentences[0] += f", not {shown if len(shown) <= _SHOWN else shown[: _SHOWN - 1] + '…'}"
    return sentences


def _field(loc: Sequence[str | int], data: Any) -> str:
    """The field's name as the file has it: an entry of a list that has an id goes by that, and the kind of a table, which
    pydantic puts into the path, is left out."""
    names: list[str] = []
    at = data
    for part in loc:
        if isinstance(at, Mapping) and part not in at and at.get("kind") == part:
            continue
        try:
            at = at[part]
        except (LookupError, TypeError):
            at = None
        name = at.get("id") if isinstance(at, Mapping) and isinstance(part, int) else None
        names.append(name[:_SHOWN] if isinstance(name, str) and name else str(part))
    return ".".join(names)


def validate(model: type[M], data: Any, where: str, context: Mapping[str, object] | None = None) -> M:
    """`data` as a `model`; its checks are told the `context`.

    Raises:
        ConfigError: every problem at once, each with `where` and the field.
    """
    try:
        text = json.dumps(data, default=str)
    except (ValueError, RecursionError) as error:
        raise ConfigError([f"{where}: holds something too large or too deep ({error})"]) from None
    try:
        return model.model_validate_json(text, context=context)
    except ValidationError as error:
        raise ConfigError(list(_problems(error, data, where))) from None


def named_file(name_or_path: str, shipped: Mapping[str, Path]) -> Path | None:
    """Where a configuration file lies: one of the `shipped` by its name, or any by its path. None: neither."""
    if name_or_path in shipped:
        return shipped[name_or_path]
    return Path(name_or_path) if name_or_path.endswith(".toml") or os.sep in name_or_path else None
