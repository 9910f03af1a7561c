"""What is delivered: the lock of the sample service, and what the step of continuous integration finds wrong."""

import os
import re
import tomllib
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]


def script(name: str) -> Any:
    """A script of `.ci` as a module."""
    spec = spec_from_loader(name, SourceFileLoader(name, str(ROOT / ".ci" / name)))
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def supply() -> Any:
    return script("supply")


def versions(supply: Any) -> dict[str, str]:
    """Version of each package of the lock; fails where one has no hash."""
    _, *packages = re.split(r"(?m)^(?=[a-z])", supply.LOCK.read_text(encoding="utf-8"))
    found = {}
    for lines in packages:
        name, version = lines.split()[0].split("==")
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", lines), name
        found[canonicalize_name(name)] = version
    return found


def test_the_lock_has_all_that_the_service_and_its_wheel_need(supply: Any) -> None:
    locked = versions(supply)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for words in (*project["project"]["dependencies"], *project["build-system"]["requires"]):
        asked = Requirement(words)
        assert locked[canonicalize_name(asked.name)] in asked.specifier, words


def test_the_lock_has_the_versions_that_were_looked_at(supply: Any) -> None:
    looked_at = script("audit").locked((ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8"))
    locked = versions(supply)
    assert {name: locked[name] for name in locked if name in looked_at} == {
        name: version for name, version in looked_at.items() if name in locked
    }
    assert set(locked) - set(looked_at) == {"hatchling", "tomlkit", "trove-classifiers"}, "what builds the wheel only"


def test_the_sample_service_is_installed_by_the_lock(supply: Any) -> None:
    unit = (ROOT / "config" / "systemd" / "stopmark-record.service").read_text(encoding="utf-8")
    assert f"pip install --require-hashes -r {supply.LOCK.relative_to(ROOT)}" in unit


def test_a_part_that_is_not_listed_or_in_another_version_is_found(supply: Any) -> None:
    parts = {
        "components": [{"name": "Some.Thing", "version": "1.0"}, {"name": "other", "version": "2.0"}],
        "metadata": {"component": {"name": "stopmark", "version": "0.1.0"}},
    }
    assert supply.missing({"stopmark": "0.1.0", "some_thing": "1.0", "other": "2.0"}, parts) == []
    assert supply.missing({"other": "2.1", "new": "1"}, parts) == ["other 2.1", "new 1"]


def test_two_wheels_that_differ_fail(supply: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hashes = iter("abcc")
    monkeypatch.setattr(supply, "copied", lambda folder: folder)
    monkeypatch.setattr(supply, "wheel", lambda *_: ("x.whl", next(hashes)))
    assert supply.same_twice(tmp_path) == ["built again it is another wheel: b"]
    assert supply.same_twice(tmp_path) == []


def test_the_second_copy_differs_in_times_and_rights(supply: Any, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "b.py").write_text("")
    (tmp_path / "a" / "b.py").chmod(0o644)
    supply.made_strange(tmp_path)
    found = (tmp_path / "a" / "b.py").stat()
    assert (found.st_mode & 0o777, found.st_mtime) == (0o600, supply.EPOCH_S)


def test_continuous_integration_runs_it() -> None:
    assert ".ci/supply" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert os.access(ROOT / ".ci" / "supply", os.X_OK)
