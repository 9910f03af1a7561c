"""A Sparkplug node that is not ours: the npm package sparkplug-client in a process of its own.

``npm ci --prefix .ci/sparkplug`` installs it, as ``.ci/run`` does.
"""

import json
import os
import subprocess
from pathlib import Path
from queue import Queue
from threading import Thread
from typing import Any, Final

from tests.support.broker import GRACE_S, NODES, command, program

ROOT: Final = Path(__file__).parent.parent.parent
PACKAGES: Final = ROOT / ".ci" / "sparkplug" / "node_modules"
SCRIPT: Final = Path(__file__).with_name("sparkplug_publisher.js")


def installed(name: str) -> bool:
    """Whether a program, or the publisher with the program that runs it, is on this machine."""
    if name == "sparkplug-client":
        return program("node") is not None and (PACKAGES / name).is_dir()
    return program(name) is not None


class SparkplugNode:
    """A node that is connected, and whose births are due."""

    def __init__(self, url: str, group: str, node: str, ca: Path | None = None) -> None:
        assert PACKAGES.is_dir(), "the tests need the package sparkplug-client: npm ci --prefix .ci/sparkplug"
        config = {
            "serverUrl": url, "username": "", "password": "", "groupId": group, "edgeNode": node, "clientId": f"{NODES}{node}",
            "version": "spBv1.0", "ca": None if ca is None else str(ca),
        }  # fmt: skip
        self._process = subprocess.Popen(
            [command("node"), str(SCRIPT), json.dumps(config)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8",
            env=os.environ | {"NODE_PATH": str(PACKAGES)},
        )  # fmt: skip
        self._said: Queue[str] = Queue()
        Thread(target=self._read, daemon=True).start()
        said = self._said.get(timeout=GRACE_S)
        assert said == "birth", said

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._said.put(line.strip())
        self._said.put("ended")

    def publish(self, what: str, *words: Any) -> None:
        """Call ``publish<what>`` of the client."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps([f"publish{what}", *words]) + "\n")
        self._process.stdin.flush()
        said = self._said.get(timeout=GRACE_S)
        assert said == "done", said

    def kill(self) -> None:
        """End it as a power cut does: the broker sends its death."""
        self._process.kill()
        self._process.wait()
