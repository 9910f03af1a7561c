"""The summary of a headless run is its last line, whatever the last readings bring while the run is closed."""

import argparse
import contextlib
import json
from collections.abc import Iterator
from typing import Any

import pytest

from monitor.adapters.host.shutdown import Ending
from monitor.commands import watch
from monitor.commands.watch import watch_headless
from monitor.model.alarm import Finding, Severity


class Driver:
    """A live driver that has nothing to run."""

    recorder = None

    def when_running(self, call: Any) -> None: ...

    async def run(self) -> None: ...


def test_what_is_found_while_a_run_is_closed_comes_before_its_summary(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    @contextlib.contextmanager
    def live_driver(args: Any, rig: Any, url: Any, clock: Any, mode: Any, sinks: Any) -> Iterator[Driver]:
        yield Driver()
        for sink in sinks:
            sink(Finding(1, "alarm", "x", Severity.NOTICE, "", "unacknowledged", "late"))

    async def run_for(driver: Driver, seconds: Any, finished: Any) -> None: ...

    monkeypatch.setattr(watch, "live_driver", live_driver)
    monkeypatch.setattr("monitor.runtime.live.run_for", run_for)
    monkeypatch.setattr("monitor.runtime.live.summary_of", lambda driver, tally: {"summary": "live"})
    args = argparse.Namespace(seconds=None, data=None)
    with Ending() as ending:
        assert watch_headless(args, None, None, None, "LIVE", ending) == 0  # type: ignore[arg-type]
    finding, summary = map(json.loads, capfd.readouterr().out.splitlines())
    assert (finding["key"], summary) == ("x", {"summary": "live"})
