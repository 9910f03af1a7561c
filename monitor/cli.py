"""`stopmark`: finds the command, runs it, and turns every error into one sentence for the person who reads it.

Only the module of the command in use is imported, so that `--help` answers at once.
"""

import argparse
import errno
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

from monitor.build import KIND
from monitor.commands import COMMANDS, Command
from monitor.errors import UserError
from monitor.text import harmless

CAUTION = (
    "ADVISORY ONLY. Stopmark reads and warns; it never commands. It replaces no safety device, procedure, manual, "
    "local code or licensed person."
)
_NO_THREAD = "can't start new thread"
"""What Python says where the system gives it none."""
_RIGHTS = (errno.EACCES, errno.EPERM)
_REFUSALS = (*_RIGHTS, errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EMFILE, errno.ENFILE)
"""What the machine refuses whoever asks: rights, a disk, handles."""
START_OBJECTS = (100_000, 10, 10)
"""A start makes very many objects and hardly any garbage: looking for it all the while takes a tenth of the start."""


def commands(wanted: str | None = None) -> dict[str, Command]:
    """Every command by name: ours, then those that installed packages add; ours alone where the one `wanted` is among them, for
    to look through the packages takes time."""
    found = {command.name: command for command in COMMANDS}
    if wanted in found:
        return found
    from importlib import metadata

    for entry in metadata.entry_points(group="stopmark.commands"):
        for command in entry.load():
            found.setdefault(command.name, command)
    return found


class _Version(argparse.Action):
    """Looks the version up where it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib import metadata

        print(f"stopmark {metadata.version('stopmark')} ({KIND})")
        parser.exit()


def _parser(found: dict[str, Command], wanted: str | None) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="stopmark",
        description="Watches the hoist of a drilling rig: where the block is, and where it would stop if braked now.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show program's version number and exit")
    places = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in found.values():
        place = places.add_parser(command.name, help=command.help, description=command.help, epilog=CAUTION)
        if command.name == wanted:
            import_module(command.module).add_arguments(place)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; its exit code. 2 for a user's error, 1 for what the machine refuses and for an error of ours, 130 at
    Ctrl-C."""
    gc.set_threshold(*START_OBJECTS)
    try:
        return _run(list(sys.argv[1:] if argv is None else argv))
    except KeyboardInterrupt:
        return 130


def _run(words: Sequence[str]) -> int:
    # Plugins of other packages could change what is validated, and looking for them takes 10 ms.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    wanted = next((word for word in words if not word.startswith("-")), None)
    found = commands(wanted)
    args = _parser(found, wanted).parse_args(words)
    try:
        return int(import_module(found[args.command].module).run(args))
    except UserError as error:
        print(f"stopmark {args.command}: {harmless(str(error))}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader of our output went away (head, a closed pager): that is no error, but stdout must not be flushed.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        return _refused(args.command, error) if error.errno in _REFUSALS else _internal_error(args.command)
    except MemoryError:
        return _starved(args.command)
    except Exception as error:
        return _starved(args.command) if _NO_THREAD in str(error) else _internal_error(args.command)


def _starved(command: str) -> int:
    """Say that the computer, or a limit, gives too little."""
    print(
        f"stopmark {command}: too little memory, or no further thread, is to be had: close other programs, or raise this one's"
        " limits (ulimit -v, -u; MemoryMax and TasksMax of a service). What was recorded stays",
        file=sys.stderr,
    )
    return 1


def _refused(command: str, error: OSError) -> int:
    """Say what the machine refuses: another user, more room or another place may help."""
    where = f"{error.filename}: " if error.filename else ""
    words = f"this user may not use it ({error.strerror})" if where and error.errno in _RIGHTS else error.strerror
    print(f"stopmark {command}: {harmless(f'{where}{words}')}", file=sys.stderr)
    return 1


def _internal_error(command: str) -> int:
    """Keep the traceback in a file and say where; a traceback never reaches the user."""
    import tempfile
    import traceback

    kind, error, _ = sys.exc_info()
    details = traceback.format_exc()
    try:
        handle, name = tempfile.mkstemp(prefix="stopmark-error-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(details)
        kept = f"are in {Path(name)}"
    except OSError as trouble:
        kept = f"could not be kept ({trouble.strerror})"
    first = harmless((str(error).splitlines() or [""])[0][:200])
    print(
        f"stopmark {command}: internal error ({kind.__name__ if kind else ''}: {first}). "
        f"This is a mistake in Stopmark, not yours; the details {kept}",
        file=sys.stderr,
    )
    return 1


if __name__ == "__main__":
    sys.exit(main())
