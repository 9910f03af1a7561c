"""Fixtures for all tests: real brokers."""

import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.support.broker import Certificates, Mosquitto
from tests.support.sparkplug_node import SparkplugNode, installed
from tests.web.browser import Chromium

# A busy machine is slow; that is no fault of the code.
settings.register_profile("stopmark", deadline=None)
settings.load_profile("stopmark")


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers (see `Mosquitto` for the words) and ends them after the test. They are started already.

    Whatever the test was about: no monitor may have published or left a will; the broker's log is the witness.
    """
    made: list[Mosquitto] = []

    def make(**options: Any) -> Mosquitto:
        broker = Mosquitto(tmp_path / f"broker-{len(made)}", **options)
        made.append(broker)
        return broker.start()

    yield make
    for broker in made:
        broker.stop()
    for broker in made:
        broker.monitors_kept_silent()


@pytest.fixture
def broker(make_broker: Callable[..., Mosquitto]) -> Mosquitto:
    """A broker that lets everybody in."""
    return make_broker()


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """A test authority with a certificate for a broker on localhost."""
    return Certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def sparkplug_nodes() -> Iterator[Callable[..., SparkplugNode]]:
    """Starts Sparkplug nodes that are not ours (see `SparkplugNode` for the words) and ends them after the test."""
    made: list[SparkplugNode] = []

    def make(*words: Any, **options: Any) -> SparkplugNode:
        made.append(SparkplugNode(*words, **options))
        return made[-1]

    yield make
    for node in made:
        node.kill()


@pytest.fixture
def chromium(tmp_path: Path) -> Iterator[Chromium]:
    """A headless browser with a fresh profile."""
    browser = Chromium(tmp_path / "chromium")
    yield browser
    browser.stop()


NEEDS = {"make_broker": "mosquitto", "broker": "mosquitto", "chromium": "chromium", "certificates": "openssl"} | {
    "sparkplug_nodes": "sparkplug-client"
}
"""Programs that fixtures run. Without one of them its tests are left out, by name; in CI they must run."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests whose program this machine has not; with CI set nothing is left out, so that they fail."""
    if os.environ.get("CI"):
        return
    missing = {fixture: name for fixture, name in NEEDS.items() if not installed(name)}
    kept: list[pytest.Item] = []
    left_out: list[pytest.Item] = []
    for item in items:
        fixtures = getattr(item, "fixturenames", ())
        (left_out if missing.keys() & set(fixtures) else kept).append(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = kept
        names = ", ".join(sorted(set(missing.values())))
        print(f"\n{len(left_out)} tests left out: this machine has no {names}", file=sys.stderr)
