"""The long job: ``python -m tests.fuzz TARGET --runs 1000000``.

The inputs run in a child process with bounded memory; one that takes too long or breaks the oracle is kept as a file that
``--repeat`` runs again. With atheris installed (``pip install "stopmark[fuzz]"``) ``--guided`` lets coverage choose the inputs.
"""

import argparse
import json
import logging
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from threading import Event
from types import FrameType

LIMIT_S = 10.0
"""An input that takes longer is a hang. The slowest honest ones take about 0.2 s."""

FOUND = Path(tempfile.gettempdir()) / "stopmark-fuzz-found"

Target = Callable[[bytes], None]


class Hang(BaseException):
    """An input took too long."""


def _alarm(_number: int, _frame: FrameType | None) -> None:
    raise Hang


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument(
        "target", metavar="TARGET", help="a name in tests/fuzz/targets.py, such as wire, session or core"
    )
    parser.add_argument("--runs", type=int, default=1_000_000, help="inputs (default: a million)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so long")
    parser.add_argument("--memory", type=int, default=2048, metavar="MB", help="the child's address space")
    parser.add_argument("--guided", action="store_true", help="by coverage, with atheris")
    parser.add_argument("--corpus", type=Path, metavar="DIR", help="with --guided: where inputs worth keeping are kept")
    parser.add_argument(
        "--out", type=Path, default=Path("fuzz-found"), metavar="DIR", help="where broken inputs are kept"
    )
    parser.add_argument("--repeat", type=Path, metavar="FILE", help="run this one input")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


def _target(name: str) -> Target:
    """The target called `name`. Imported only here, so that coverage sees all of what it imports."""
    targets = import_module("tests.fuzz.targets").TARGETS
    if name not in targets:
        sys.exit(f"there is no target {name!r}; there are {', '.join(targets)}")
    found: Target = targets[name]
    return found


def _bound(memory_mb: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (memory_mb << 20, memory_mb << 20))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _kept(data: bytes, folder: Path, name: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}-{hash(data) & 0xFFFFFFFF:08x}"
    path.write_bytes(data)
    return path


def one(target: Target, data: bytes) -> str:
    """Run one input; where it broke, in words, or nothing."""
    signal.setitimer(signal.ITIMER_REAL, LIMIT_S)
    try:
        target(data)
    except Hang:
        return f"took over {LIMIT_S} s"
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        return f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}: {str(error)[:200]}"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
    return ""


def _random(args: argparse.Namespace) -> int:
    """Random inputs. Prints how many were run and what broke, at SIGTERM as well; 1 when anything did."""
    signal.signal(signal.SIGALRM, _alarm)
    asked_to_end = Event()
    signal.signal(signal.SIGTERM, lambda *_: asked_to_end.set())
    sizes = import_module("tests.fuzz.targets").SIZES
    target, chance = _target(args.target), random.Random(args.seed)
    broken: dict[str, str] = {}
    start, slowest_s, runs = time.monotonic(), 0.0, 0
    while runs < args.runs and time.monotonic() - start < args.seconds and not asked_to_end.is_set():
        data = chance.randbytes(chance.choice(sizes))
        before = time.process_time()
        words = one(target, data)
        slowest_s = max(slowest_s, time.process_time() - before)
        runs += 1
        place = words.partition(": ")[0]
        if words and place not in broken:
            broken[place] = words
            print(f"{words}\n  kept as {_kept(data, args.out, args.target)}", file=sys.stderr, flush=True)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    reported = {
        "target": args.target, "seed": args.seed, "inputs": runs, "broken": sorted(broken.values()),
        "slowest_s": round(slowest_s, 3), "peak_mb": round(peak_mb), "seconds": round(time.monotonic() - start, 1),
    }  # fmt: skip
    print(json.dumps(reported), flush=True)
    return 1 if broken else 0


def _guided(args: argparse.Namespace) -> int:
    """Inputs by coverage; ends at the first that breaks, with the library's own exit code."""
    try:
        atheris = import_module("atheris")
    except ModuleNotFoundError:
        sys.exit('--guided needs atheris: pip install "stopmark[fuzz]"')
    with atheris.instrument_imports(include=["monitor", "simulators"]):
        target = _target(args.target)
    words = [sys.argv[0], f"-runs={args.runs}", f"-seed={args.seed}", f"-timeout={int(LIMIT_S)}", "-max_len=256"]
    words += [f"-rss_limit_mb={args.memory}", f"-artifact_prefix={args.out}/{args.target}-", "-print_final_stats=1"]
    if args.seconds != float("inf"):
        words.append(f"-max_total_time={int(args.seconds)}")
    args.out.mkdir(parents=True, exist_ok=True)
    if args.corpus is not None:
        args.corpus.mkdir(parents=True, exist_ok=True)
        words.append(str(args.corpus))
    atheris.Setup(words, target)
    atheris.Fuzz()
    return 0


def main() -> int:
    """Run as asked; 1 when an input broke the oracle, the memory's bound or the time's."""
    args = _arguments()
    if args.repeat is not None:
        _target(args.target)(args.repeat.read_bytes())
        return 0
    if args.child:
        logging.disable(logging.CRITICAL)  # a word about each damaged input would be millions
        if not args.guided:  # the library bounds memory itself
            _bound(args.memory)
        return _guided(args) if args.guided else _random(args)
    child = subprocess.Popen([sys.executable, "-m", "tests.fuzz", *sys.argv[1:], "--child"])
    try:
        code = child.wait()
    except KeyboardInterrupt:
        child.kill()
        return 130
    if code < 0:
        print(f"the child was ended by signal {-code}", file=sys.stderr)
    return 1 if code else 0


if __name__ == "__main__":
    sys.exit(main())
