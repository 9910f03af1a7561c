"""The embedded broker of the quick start: one function, so that another library can take its place in one place.

It is for demonstrations on one machine: loopback only, small memory, no login. A rig needs a real broker.
"""

import contextlib
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path

from monitor.errors import UserError

_CONFIG = """
id = 0
[router]
id = 0
max_connections = 20
max_outgoing_packet_count = 200
max_segment_size = 1048576
max_segment_count = 4
[v4.1]
name = "v4-1"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v4.1.connections]
connection_timeout_ms = 5000
max_payload_size = 65536
max_inflight_count = 200
dynamic_filters = true
"""


def free_port() -> int:
    """A free loopback port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def embedded_broker() -> Iterator[str]:
    """A broker on a free loopback port while the context lasts; its address (``mqtt://127.0.0.1:PORT``).

    Raises:
        UserError: the broker library is not installed, or does not start.
    """
    try:
        from iotcore import Broker
    except ImportError:
        raise UserError(
            "the embedded broker is not installed: pip install 'stopmark[demo]', or use a broker of your own with"
            " 'stopmark simulate' and 'stopmark watch'"
        ) from None
    with tempfile.TemporaryDirectory(prefix="stopmark-broker-") as folder:
        last: Exception | None = None
        for _ in range(3):  # another program may take the port between asking and binding
            port = free_port()
            path = Path(folder) / f"broker-{port}.toml"
            path.write_text(_CONFIG.format(port=port), encoding="utf-8")
            broker = Broker(config_path=str(path))
            try:
                broker.start()
            except (OSError, RuntimeError) as error:
                last = error
                continue
            try:
                yield f"mqtt://127.0.0.1:{port}"
            finally:
                broker.stop()
            return
        raise UserError(f"the embedded broker does not start ({last}): use a broker of your own with --broker")
