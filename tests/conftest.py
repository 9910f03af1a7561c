"""Fixtures for all tests: real brokers."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.broker import Certificates, Mosquitto


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers (see `Mosquitto` for the words) and ends them after the test. They are started already."""
    made: list[Mosquitto] = []

    def make(**options: Any) -> Mosquitto:
        broker = Mosquitto(tmp_path / f"broker-{len(made)}", **options)
        made.append(broker)
        return broker.start()

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def broker(make_broker: Callable[..., Mosquitto]) -> Mosquitto:
    """A broker that lets everybody in."""
    return make_broker()


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """A test authority with a certificate for a broker on localhost."""
    return Certificates(tmp_path_factory.mktemp("certificates"))
