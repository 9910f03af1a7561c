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

    def fetch(self, name: str, path: Path) -> None:
        """Copy what is there under a name to `path`.

        Raises:
            UserError: it cannot be had.
        """
        try:
            self._files.get_file(f"{self._root}/{name}", str(path))
        except Exception as error:  # what a store can answer is its driver's own
            raise UserError(f"{self.address}/{name}: cannot be fetched ({type(error).__name__}: {error})") from None

    def named(self, pattern: str) -> list[str]:
        """Addresses of what lies in it under names of this pattern, in order.

        Raises:
            UserError: the store refuses.
        """
        try:
            found = self._files.glob(f"{self._root}/{pattern}")
            return sorted(self._files.unstrip_protocol(name) for name in found)
        except Exception as error:  # what a store can answer is its driver's own
            raise UserError(f"{self.address}: cannot be listed ({type(error).__name__}: {error})") from None

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
def local_copy(words: str) -> Iterator[Path]:
    """What `words` name as a file of this machine: fetched first, where it lies in a store.

    Raises:
        UserError: it cannot be fetched.
    """
    if not is_address(words):
        yield Path(words)
        return
    folder, _, name = words.rpartition("/")
    store = Store(folder)
    with TemporaryDirectory(prefix="stopmark-") as here:
        path = Path(here) / name
        store.fetch(name, path)
        yield path


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
