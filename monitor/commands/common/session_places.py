"""Sessions by the words of a command: files, folders with all in them, addresses of a store."""

from collections.abc import Sequence

from monitor.errors import UserError


def sessions_of(words: Sequence[str]) -> list[str]:
    """Every session that `words` name, each once, in order.

    Raises:
        UserError: there is none.
    """
    from monitor.adapters.sessions.format import SUFFIX
    from monitor.commands.common.session_range import session_path

    found: list[str] = []
    for word in words:
        if "://" in word:
            found += _addresses(word)
        elif (path := session_path(word)).is_dir():
            found += sorted(str(file) for file in path.rglob("*" + SUFFIX) if file.is_file())
        else:
            found.append(str(path))
    if not found:
        raise UserError(f"{', '.join(words)}: no session there")
    return list(dict.fromkeys(found))


def _addresses(word: str) -> list[str]:
    """Sessions at an address of a store: one, or those that a pattern names.

    Raises:
        UserError: the store cannot be used.
    """
    try:
        import fsspec
    except ImportError:
        raise UserError(f'{word}: sessions in a store need fsspec: pip install "stopmark[fleet]"') from None
    if not any(letter in word for letter in "*?["):
        return [word]
    try:
        filesystem, pattern = fsspec.core.url_to_fs(word)
        return sorted(filesystem.unstrip_protocol(name) for name in filesystem.glob(pattern))
    except Exception as error:  # what a store can answer is its driver's own
        raise UserError(f"{word}: cannot be listed ({type(error).__name__}: {error})") from None
