"""A disk that forgets what was not synced, for tests of power cuts.

`PowerDisk` looks on while a piece of code writes below a folder: through SQLite by a layer between the library and its own file
functions, in Python by `os.fsync` and `os.replace`. What it saw is a list of writes, syncs and changes of names, in their
order. `after_cut` makes a folder as a cut at any place in that list may leave it. Each write that no sync had followed is there,
is missing, or is torn at a sector; names that no sync of their folder had followed are changed up to some place.

What SQLite itself relies on is given to it: a write damages nothing beside it, and a sector of 512 bytes is written whole or
not. The shared-memory file beside a session is never kept. Nothing waits for the real disk.
"""

import _sqlite3
import ctypes
import os
import random
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Self
from unittest.mock import patch

SECTOR: Final = 512
_OK: Final = 0
_CREATE: Final = 0x4
_DIRECTORY_SYNCED: Final = 0x800 | 0x80000
"""Rollback journals and write-ahead logs: SQLite syncs the folder with the first sync of one that it made."""
_POINTER: Final = ctypes.sizeof(ctypes.c_void_p)
_METHODS: Final = 19
_WRITE, _TRUNCATE, _SYNC = 3, 4, 5
"""Places in SQLite's table of file methods (the first is its version)."""


class _Vfs(ctypes.Structure):
    _fields_ = [
        ("version", ctypes.c_int),
        ("file_size", ctypes.c_int),
        ("longest", ctypes.c_int),
        ("next", ctypes.c_void_p),
        ("name", ctypes.c_char_p),
        ("data", ctypes.c_void_p),
        ("open", ctypes.c_void_p),
        ("delete", ctypes.c_void_p),
        ("rest", ctypes.c_void_p * 14),
    ]


_Open = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int, ctypes.POINTER(ctypes.c_int)
)
_Delete = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int)
_Write = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int, ctypes.c_int64)
_Truncate = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int64)
_Sync = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int)


@dataclass(frozen=True, slots=True)
class _Step:
    """One thing that happened to the disk."""

    kind: str
    """write, cut (to a size), sync (a file), make, drop, rename, folder (all names synced)."""
    path: Path
    place: int = 0
    data: bytes = b""
    to: Path | None = None


@dataclass(slots=True)
class _File:
    """A file as the cut leaves it: what is surely on the disk, and what came after."""

    synced: bytearray = field(default_factory=bytearray)
    since: list[_Step] = field(default_factory=list)


class PowerDisk:
    """Looks on at `folder` while the block of its ``with`` statement runs, in this process and any of its threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.steps: list[_Step] = []
        self.promises: list[tuple[int, Any]] = []
        self._lock = threading.Lock()
        self._paths: dict[int, Path] = {}
        self._unsynced_names: set[int] = set()
        self._tables: dict[int, Any] = {}
        self._kept: list[Any] = []
        self._patches: list[Any] = []

    def promise(self, what: object) -> None:
        """From here on `what` is to survive every cut."""
        with self._lock:
            self.promises.append((len(self.steps), what))

    def promised(self, cut: int) -> list[Any]:
        """What had been promised by the step `cut`."""
        return [what for place, what in self.promises if place <= cut]

    def after_cut(self, cut: int, draw: random.Random, folder: Path) -> None:
        """Fill `folder` with what a power cut before step number `cut` leaves."""
        files: dict[Path, _File] = {}
        known: dict[Path, _File] = {}
        waiting: list[_Step] = []
        made: list[_File | None] = []
        for step in self.steps[:cut]:
            if step.kind in ("make", "drop", "rename"):
                waiting.append(step)
                made.append(_changed(files, step))
            elif step.kind == "folder":
                for late, file in zip(waiting, made, strict=True):
                    _changed(known, late, file)
                waiting, made = [], []
            elif step.kind == "sync":
                file = files[step.path]
                for late in file.since:
                    _apply(file.synced, late)
                file.since.clear()
            else:
                files[step.path].since.append(step)
        for late, file in list(zip(waiting, made, strict=True))[: draw.randint(0, len(waiting))]:
            _changed(known, late, file)
        for path, file in known.items():
            content = bytearray(file.synced)
            fate = draw.choice(("all", "none", "any", "any"))
            for late in file.since:
                lot = draw.choice(("all", "none", "torn")) if fate == "any" else fate
                if lot == "torn" and late.kind == "write":
                    late = _Step(
                        "write", late.path, late.place, late.data[: SECTOR * draw.randint(0, len(late.data) // SECTOR)]
                    )
                if lot != "none":
                    _apply(content, late)
            place = folder / path.relative_to(self.folder)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)

    # -- looking on -------------------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        library = ctypes.CDLL(_sqlite3.__file__)
        library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        self._library, self._usual = library, library.sqlite3_vfs_find(None)
        own = _Vfs.from_buffer_copy(self._usual.contents)
        own.name, own.next = b"power", None
        self._open = _Open(own.open)
        self._delete = _Delete(own.delete)
        functions = (_Open(self._opened), _Delete(self._deleted))
        own.open, own.delete = (ctypes.cast(function, ctypes.c_void_p).value for function in functions)
        self._own = own
        self._kept += functions
        assert library.sqlite3_vfs_register(ctypes.byref(own), 1) == _OK
        self._patches = [
            patch("os.fsync", self._python_sync),
            patch("os.replace", self._python_replace(os.replace)),
        ]
        for patched in self._patches:
            patched.start()
        return self

    def __exit__(self, *_: object) -> None:
        for patched in self._patches:
            patched.stop()
        self._library.sqlite3_vfs_register(self._usual, 1)
        self._library.sqlite3_vfs_unregister(ctypes.byref(self._own))

    def _note(self, kind: str, path: Path, place: int = 0, data: bytes = b"", to: Path | None = None) -> None:
        if self.folder in path.parents or path == self.folder:
            with self._lock:
                self.steps.append(_Step(kind, path, place, data, to))

    def _opened(self, vfs: int, name: int | None, file: int, flags: int, out: Any) -> int:
        # The name goes on as the pointer it is: SQLite keeps it.
        path = Path(os.fsdecode(ctypes.string_at(name))) if name else None
        new = path is not None and not path.exists()
        code = self._open(vfs, name, file, flags, out)
        if code != _OK or path is None:
            return code
        table = ctypes.c_void_p.from_address(file)
        if table.value:
            self._paths[file] = path
            table.value = self._table(table.value)
        if new and path.exists():
            self._note("make", path)
            if flags & _DIRECTORY_SYNCED:
                self._unsynced_names.add(file)
        return code

    def _table(self, usual: int) -> int:
        """SQLite's table of file methods with ours in three places."""
        if usual not in self._tables:
            copy = (ctypes.c_void_p * _METHODS).from_buffer_copy(ctypes.string_at(usual, _METHODS * _POINTER))
            write, cut = _Write(copy[_WRITE] or 0), _Truncate(copy[_TRUNCATE] or 0)

            def written(file: int, data: int, size: int, place: int) -> int:
                self._note("write", self._paths[file], place, ctypes.string_at(data, size))
                return int(write(file, data, size, place))

            def shortened(file: int, size: int) -> int:
                self._note("cut", self._paths[file], size)
                return int(cut(file, size))

            def synced(file: int, flags: int) -> int:
                path = self._paths[file]
                self._note("sync", path)
                if file in self._unsynced_names:
                    self._unsynced_names.discard(file)
                    self._note("folder", path.parent)
                return _OK

            functions: list[Callable[..., int]] = [_Write(written), _Truncate(shortened), _Sync(synced)]
            for place, function in zip((_WRITE, _TRUNCATE, _SYNC), functions, strict=True):
                copy[place] = ctypes.cast(function, ctypes.c_void_p)  # type: ignore[arg-type]
            self._kept += [copy, write, cut, *functions]
            self._tables[usual] = ctypes.addressof(copy)
            self._tables[ctypes.addressof(copy)] = ctypes.addressof(copy)
        return int(self._tables[usual])

    def _deleted(self, vfs: Any, name: bytes, sync: int) -> int:
        code = self._delete(vfs, name, 0)
        if code == _OK:
            path = Path(os.fsdecode(name))
            self._note("drop", path)
            if sync:
                self._note("folder", path.parent)
        return int(code)

    def _python_sync(self, handle: int) -> None:
        path = Path(os.readlink(f"/proc/self/fd/{handle}"))
        if path.is_dir():
            self._note("folder", path)
        else:
            self._whole_content(path)
            self._note("sync", path)

    def _python_replace(self, usual: Callable[..., None]) -> Callable[..., None]:
        def replace(part: Path, path: Path) -> None:
            part, path = Path(part).absolute(), Path(path).absolute()
            self._whole_content(part)
            self._note("rename", part, to=path)
            usual(part, path)

        return replace

    def _whole_content(self, path: Path) -> None:
        """What Python has written to `path`, once somebody asks for it to be kept or gives it a name."""
        with self._lock:
            content: bytearray | None = None
            for step in self.steps:
                if path in (step.path, step.to):
                    if step.kind in ("make", "drop"):
                        content = bytearray()
                    elif step.kind in ("write", "cut") and content is not None:
                        _apply(content, step)
                    elif step.kind == "rename":
                        content = None if step.path == path else bytearray()
        now = path.read_bytes()
        if content is None:
            self._note("make", path)
        if content is None or content != now:
            self._note("cut", path)
            self._note("write", path, 0, now)


def _changed(names: dict[Path, _File], step: _Step, file: _File | None = None) -> _File | None:
    """Change `names` as `step` says. A new one stands for `file`, where there is one already."""
    if step.kind == "make":
        names[step.path] = file or _File()
        return names[step.path]
    old = names.pop(step.path, None)
    if step.to is not None:
        old = file or old
        assert old is not None
        names[step.to] = old
        return old
    return None


def _apply(content: bytearray, step: _Step) -> None:
    if step.kind == "cut":
        del content[step.place :]
    else:
        content.extend(bytes(max(0, step.place - len(content))))
        content[step.place : step.place + len(step.data)] = step.data
