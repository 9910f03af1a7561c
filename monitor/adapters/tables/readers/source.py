"""The bytes of a log: from a file or a pipe, compressed or not, unpacked on the way in flat memory.

What a file is shows in its first bytes; its name is not asked.
"""

import bz2
import gzip
import io
import lzma
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from monitor.adapters.tables.readers.table import FieldLogError
from monitor.files import check_regular

PIPE: Final = "-"
"""Stands for standard input."""
HEAD_BYTES: Final = 262_144
"""So many bytes are looked at before a reader is chosen."""
_ZIP: Final = b"PK\x03\x04"
MOST_MEMBERS: Final = 1000
MOST_LAYERS: Final = 3
"""So often may a file be packed in another."""
MOST_SPOOLED_BYTES: Final = 8 << 30
"""Formats that keep their table of contents at the end come from a pipe through a temporary file, of this size at most."""


UNSOUND: Final = (
    OSError, EOFError, ValueError, RuntimeError, LookupError, zlib.error, lzma.LZMAError, zipfile.BadZipFile,
)  # fmt: skip
"""What the standard library raises at packed bytes that are not sound, or of a kind that it does not know."""


@dataclass(frozen=True, slots=True)
class Source:
    """Bytes to read: `head` are the first ones, `stream` begins with them again."""

    name: str
    head: bytes
    stream: IO[bytes]
    archive: zipfile.ZipFile | None = None
    """Where the bytes are a zip file."""


def open_sources(path: Path, opened: Callable[[IO[bytes]], None] | None = None) -> Iterator[Source]:
    """What is in the file at `path` (`-`: standard input), unpacked; a zip file may hold several, which come by name. `opened` is
    given the file itself, whose place shows how far the reading has come.

    Raises:
        FieldLogError: it is missing, empty, damaged or packed in a way that is not read.
    """
    if str(path) == PIPE:
        yield from _unpacked("standard input", sys.stdin.buffer, 0)
        return
    try:
        check_regular(path)
        stream = path.open("rb")
    except FileNotFoundError:
        raise FieldLogError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise FieldLogError(f"{path}: is a folder, not a file") from None
    except OSError as error:
        raise FieldLogError(
            f"{path}: cannot be read ({error.strerror or error}); from a pipe, give - and redirect it"
        ) from None
    with stream:
        if opened is not None:
            opened(stream)
        yield from _unpacked(str(path), stream, 0)


def _unpacked(name: str, stream: IO[bytes], layer: int) -> Iterator[Source]:
    guarded: IO[bytes] = io.BufferedReader(_Guarded(name, stream), 1 << 16)
    head = _read(guarded, HEAD_BYTES)
    if not head:
        raise FieldLogError(f"{name}: is empty")
    packing = next((packing for packing in _PACKINGS if head.startswith(packing.magic)), None)
    if (packing is not None or head.startswith(_ZIP)) and layer >= MOST_LAYERS:
        raise FieldLogError(f"{name}: is packed more than {MOST_LAYERS} times over; unpack it first")
    if packing is not None:
        whole = io.BufferedReader(_Chained(head, guarded), 1 << 16)
        try:
            inside = packing.open(whole)
        except ImportError as error:
            raise FieldLogError(
                f"{name}: is packed with {packing.name}, which needs {error.name}: pip install 'stopmark[logs]'"
            ) from None
        yield from _unpacked(name, inside, layer + 1)
    elif head.startswith(_ZIP):
        yield from _zipped(name, head, _seekable(name, head, stream, guarded), layer)
    else:
        if head.startswith(b"PAR1"):
            yield Source(name, head, _seekable(name, head, stream, guarded))
        else:
            yield Source(name, head, io.BufferedReader(_Chained(head, guarded), 1 << 16))


def _zipped(name: str, head: bytes, stream: IO[bytes], layer: int) -> Iterator[Source]:
    try:
        with zipfile.ZipFile(stream) as archive:
            members = [info for info in archive.infolist() if not info.is_dir()]
            if any(info.filename == "xl/workbook.xml" for info in members):
                yield Source(name, head, stream, archive)
                return
            members = [info for info in members if not info.filename.startswith(("__MACOSX/", "."))]
            if not members:
                raise FieldLogError(f"{name}: there is no file in it")
            if len(members) > MOST_MEMBERS:
                raise FieldLogError(f"{name}: holds {len(members)} files, more than {MOST_MEMBERS}; unpack it first")
            for info in sorted(members, key=lambda info: info.filename):
                inner = f"{name}: {info.filename}"
                if info.flag_bits & 1:
                    raise FieldLogError(f"{inner}: is encrypted; unpack it first")
                with archive.open(info) as member:
                    yield from _unpacked(inner, member, layer + 1)
    except UNSOUND as error:
        raise FieldLogError(f"{name}: is a damaged or strange zip file ({error})") from None


def _read(stream: IO[bytes], most: int) -> bytes:
    """As many bytes as there are, at most `most`: a pipe gives them in pieces."""
    parts, left = [], most
    while left and (part := stream.read(left)):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def _seekable(name: str, head: bytes, stream: IO[bytes], rest: IO[bytes]) -> IO[bytes]:
    """The same bytes where one can go back and forth: the file itself, or a temporary copy of what a pipe gives."""
    if type(stream) is io.BufferedReader and stream.seekable():
        stream.seek(0)
        return stream
    copy = tempfile.TemporaryFile()  # noqa: SIM115 (goes with its last reader)
    copy.write(head)
    while part := rest.read(1 << 20):
        copy.write(part)
        if copy.tell() > MOST_SPOOLED_BYTES:
            raise FieldLogError(f"{name}: is larger than {MOST_SPOOLED_BYTES >> 30} GiB; unpack it into a file first")
    copy.seek(0)
    return copy


class _Chained(io.RawIOBase):
    """`head`, then what `rest` gives."""

    def __init__(self, head: bytes, rest: IO[bytes]) -> None:
        self._head, self._at, self._rest = head, 0, rest

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        piece = self._head[self._at : self._at + len(buffer)]
        if piece:
            self._at += len(piece)
        else:
            piece = self._rest.read(len(buffer))
        buffer[: len(piece)] = piece
        return len(piece)


class _Guarded(io.RawIOBase):
    """What `inner` gives; where that is damaged, an error in words."""

    def __init__(self, name: str, inner: IO[bytes]) -> None:
        self._name, self._inner, self._given = name, inner, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            piece = self._inner.read(len(buffer))
        except EOFError:
            raise FieldLogError(
                f"{self._name}: ends in the middle of its packed data, after {self._given} bytes unpacked; get it anew,"
                " or unpack by hand what is there"
            ) from None
        except UNSOUND as error:
            words = getattr(error, "strerror", None) or error
            raise FieldLogError(
                f"{self._name}: is damaged or cannot be read on after {self._given} bytes ({words})"
            ) from None
        buffer[: len(piece)] = piece
        self._given += len(piece)
        return len(piece)


@dataclass(frozen=True, slots=True)
class _Packing:
    name: str
    magic: bytes
    open: Callable[[IO[bytes]], Any]


def _zstd(stream: IO[bytes]) -> IO[bytes]:
    if sys.version_info >= (3, 14):
        from compression import zstd

        return zstd.open(stream)
    import pyarrow

    inside: IO[bytes] = pyarrow.CompressedInputStream(pyarrow.PythonFile(stream, "r"), "zstd")
    return inside


_PACKINGS: Final = (
    _Packing("gzip", b"\x1f\x8b", lambda stream: gzip.GzipFile(fileobj=stream)),
    _Packing("bzip2", b"BZh", bz2.BZ2File),
    _Packing("xz", b"\xfd7zXZ\x00", lzma.LZMAFile),
    _Packing("zstandard", b"\x28\xb5\x2f\xfd", _zstd),
)
