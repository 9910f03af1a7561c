"""A folder in a store of objects, by its address (``s3://bucket/folder``): through fsspec and its driver for that store."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.adapters.host.output_file import made
from monitor.errors import UserError


def is_address(words: str) -> bool:
    """Whether these words name something in a store, and not a file of this machine."""
    return "://" in words


class Store:
    """The folder at an address. An object is written whole or not at all."""

    def __init__(self, address: str) -> None:
        """Nothing is read or written yet.

        Raises:
            UserError: fsspec or its driver is not installed, or the address is none.
        """
        self.address = address
        try:
            import fsspec
        except ImportError:
            raise UserError(f'{address}: a store needs fsspec: pip install "stopmark[fleet]"') from None
        try:
            self._files, self._root = fsspec.core.url_to_fs(address)
        except (ImportError, ValueError, OSError) as error:
            raise UserError(f"{address}: cannot be used ({error})") from None

    def read(self, name: str) -> bytes | None:
        """What is there under a name; None where nothing is, or it cannot be had."""
        try:
            return bytes(self._files.cat_file(f"{self._root}/{name}"))
        except Exception:  # what a store can answer is its driver's own
            return None

    def write(self, name: str, data: bytes) -> None:
        """Write it.

        Raises:
            UserError: the store refuses.
        """
        try:
            self._files.pipe_file(f"{self._root}/{name}", data)
        except Exception as error:  # what a store can answer is its driver's own
            raise UserError(f"{self.address}/{name}: cannot be written ({type(error).__name__}: {error})") from None


@contextmanager
def out_folder(words: str) -> Iterator[Path]:
    """A folder to write results into: the one of this name, or one that goes to the store at this address at the end.

    Raises:
        UserError: it cannot be made, or the store cannot be used or refuses.
    """
    if not is_address(words):
        yield made(Path(words))
        return
    store = Store(words)
    with TemporaryDirectory(prefix="stopmark-") as name:
        yield Path(name)
        for path in sorted(Path(name).iterdir()):
            store.write(path.name, path.read_bytes())
