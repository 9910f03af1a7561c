"""What the tests of the page share."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.broker import free_port
from tests.web.served import Served


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    made: list[Served] = []

    def start(broker_url: str, *more: str, handles: int = 0, fleet: Path | None = None) -> Served:
        made.append(Served(tmp_path, broker_url, *more, handles=handles, fleet=fleet))
        return made[-1]

    yield start
    for served in made:
        served.process.kill()
        served.process.wait()


@pytest.fixture
def nowhere() -> str:
    """An address where no broker answers."""
    return f"mqtt://127.0.0.1:{free_port()}"
