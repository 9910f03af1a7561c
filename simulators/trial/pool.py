"""Runs the cases of a trial on several processes, keeps every result on disk, and goes on where it stopped.

A case depends on set, seed and index alone, and results are put in order of index before anything is computed: the
figures are the same whatever the number of processes and however often the trial was interrupted.
"""

import functools
import hashlib
import json
import multiprocessing
from collections.abc import Callable, Iterator
from importlib import metadata
from pathlib import Path

from monitor.config.toml_file import config_root
from monitor.errors import UserError
from monitor.fleet.engine import Failure, Place
from simulators.trial.cases import Result, SetName, case_of
from simulators.trial.runs import run_case
from simulators.trial.score import is_miss

Task = tuple[SetName, int, int]


@functools.cache
def fingerprint() -> str:
    """Short mark of the code and configuration under trial: results of another monitor must not be mixed in."""
    digest = hashlib.sha256(metadata.version("stopmark").encode())
    root = Path(__file__).resolve().parent.parent.parent
    for folder, pattern in ((root / "monitor", "*.py"), (root / "simulators", "*.py"), (config_root(), "*.toml")):
        for path in sorted(folder.rglob(pattern)):
            if "ui" not in path.parts and "report" not in path.parts and "scenarios" not in path.parts:
                digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _work(task: Task) -> Result:
    name, seed, index = task
    return run_case(case_of(name, seed, index))


class Keep:
    """Results of one set and seed in a JSON Lines file; the first line says what they are results of."""

    def __init__(self, path: Path, name: SetName, seed: int) -> None:
        self.path = path
        self.done: dict[int, Result] = {}
        head = {"trial": name, "seed": seed, "monitor": fingerprint()}
        if path.exists():
            lines = path.read_text(encoding="utf-8").splitlines()
            try:
                found = json.loads(lines[0]) if lines else None
            except ValueError:
                found = None
            if found == head:
                for line in lines[1:]:
                    try:
                        result = json.loads(line)
                    except ValueError:
                        continue  # cut off when the trial was interrupted
                    self.done[int(result["index"])] = result
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("w", encoding="utf-8") as file:
                file.write(json.dumps(head) + "\n")
                for index in sorted(self.done):
                    file.write(json.dumps(self.done[index]) + "\n")
        except OSError as error:
            raise UserError(f"{path}: the trial's results cannot be kept there ({error.strerror})") from None

    def add(self, result: Result) -> None:
        """Keep one result, on disk at once."""
        self.done[int(result["index"])] = result
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(result) + "\n")


def run_set(
    name: SetName,
    seed: int,
    runs: int,
    jobs: int,
    folder: Path,
    on_progress: Callable[[int, int], None] | None = None,
    place: Place | None = None,
) -> tuple[list[Result], set[int]]:
    """Results 0 to `runs` of a set, in order of index, and which of them were run now: those kept are not run again.

    With a `place` its workers run them, else `jobs` processes of this machine.

    Raises:
        UserError: a run failed at `place`; those that ended before are kept.
    """
    keep = Keep(folder / f"{name}-{seed}.jsonl", name, seed)
    missing = [index for index in range(runs) if index not in keep.done]
    done = runs - len(missing)
    if on_progress is not None:
        on_progress(done, runs)
    for result in _results([(name, seed, index) for index in missing], jobs, place):
        keep.add(result)
        done += 1
        if on_progress is not None:
            on_progress(done, runs)
    results = [keep.done[index] for index in range(runs)]
    # As read back from disk, so that a resumed trial computes with the very same numbers.
    return [json.loads(json.dumps(result)) for result in results], set(missing)


def _results(tasks: list[Task], jobs: int, place: Place | None) -> Iterator[Result]:
    if place is not None:
        for task, result in place.results(_work, tasks):
            if isinstance(result, Failure):
                raise UserError(f"run {task[2]} of the {task[0]} set: {result.words}")
            yield result
        return
    if jobs <= 1 or len(tasks) <= 1:
        yield from map(_work, tasks)
        return
    context = multiprocessing.get_context("spawn")
    with context.Pool(min(jobs, len(tasks))) as pool:
        yield from pool.imap_unordered(_work, tasks, chunksize=1)


def keep_sessions(name: SetName, seed: int, results: list[Result], folder: Path, most: int = 50) -> list[Path]:
    """A session file for every miss (the first `most`), to be opened with ``stopmark replay``."""
    from simulators.scenario.plant_source import PlantSource
    from simulators.scenario.record import record

    paths = []
    for result in [r for r in results if is_miss(r)][:most]:
        path = folder / f"{name}-{seed}-{result['index']}.stopmark"
        if not path.exists():
            case = case_of(name, seed, int(result["index"]))
            record(PlantSource(case.rig, case.scenario, case.seed), path)
        paths.append(path)
    return paths
