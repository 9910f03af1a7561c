"""The audit of the dependencies: what it fails on, and that not being able to ask fails nothing."""

import os
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / ".ci" / "audit"


@pytest.fixture(scope="module")
def audit() -> Any:
    """The script as a module."""
    spec = spec_from_loader("audit", SourceFileLoader("audit", str(SCRIPT)))
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def answer(*fixes: list[str]) -> dict[str, Any]:
    return {"name": "x", "version": "1.0", "vulns": [{"id": "V-1", "fix_versions": list(fix)} for fix in fixes]}


def test_a_vulnerability_with_a_fix_fails_and_one_without_is_told(audit: Any) -> None:
    assert audit.judged([answer(["1.1"])]) == (["x 1.0: V-1; fixed in 1.1"], [], 1)
    assert audit.judged([answer([])]) == ([], ["x 1.0: V-1; there is no fixed release yet"], 1)
    assert audit.judged([answer()]) == ([], [], 1)


def test_advisories_that_cannot_be_had_are_counted_and_fail_nothing(audit: Any) -> None:
    assert audit.judged([{"name": "x", "skip_reason": "not found"}]) == ([], [], 0)
    assert audit.judged([]) == ([], [], 0)


def test_nothing_is_older_than_the_lock(audit: Any) -> None:
    lock = audit.locked("# a note\nSome_Thing==1.10\nother==2.0  # why\n")
    assert lock == {"some-thing": "1.10", "other": "2.0"}
    assert audit.against_lock({"some-thing": "1.10", "other": "2.0"}, lock) == ([], [])
    (problem,), _ = audit.against_lock({"some-thing": "1.9"}, lock)
    assert "older than 1.10" in problem
    assert audit.against_lock({"other": "2.1", "new": "1"}, lock)[0] == []
    assert len(audit.against_lock({"other": "2.1", "new": "1"}, lock)[1]) == 2


def test_a_failing_question_is_words(audit: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError("no network")

    monkeypatch.setattr(audit.venv, "create", refuse)
    assert audit.ask({"x": "1.0"}) == ([], "no network")


def test_what_runs_here_satisfies_the_lock(audit: Any) -> None:
    lock = audit.locked(audit.LOCK.read_text(encoding="utf-8"))
    assert {"aiomqtt", "pydantic", "numpy", "scipy", "textual", "aiohttp", "pyarrow", "openpyxl"} <= set(lock)
    assert audit.against_lock(audit.installed(), lock)[0] == []


def test_continuous_integration_runs_it() -> None:
    assert ".ci/audit" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert os.access(SCRIPT, os.X_OK)
