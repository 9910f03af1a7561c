"""A headless chromium for tests, driven through its DevTools protocol."""

import asyncio
import base64
import contextlib
import json
import shutil
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

from monitor.ui.drawing.digits import large
from tests.support.broker import wait_until

START_S = 60.0
ANSWER_S = 60.0
NAMED_KEYS = {"Enter": (13, "\r"), "Home": (36, ""), "ArrowDown": (40, "")}
"""Number of a key that is no character, and its text."""

_TERMINAL = """function () {
  for (const found of this) {
    try {
      if (typeof found.cols === "number" && typeof found.buffer.active.getLine === "function" && found.element) {
        return found;
      }
    } catch (_error) {}
  }
  return null;
}"""
"""Picks the page's terminal out of all its objects."""
_TEXT = """function () {
  const active = this.buffer.active;
  return Array.from({length: this.rows}, (_, y) => {
    const line = active.getLine(active.viewportY + y);
    return Array.from({length: this.cols}, (_, x) => {
      const cell = line.getCell(x);
      const char = cell.getChars() || " ";
      return char === " " && cell.isInverse() ? "█" : char;
    }).join("");
  }).join("\\n");
}"""
"""The terminal's rows as text; spaces in reversed colours are the full blocks that they look like."""


_OVERHANG = """function () {
  const screen = this.element.querySelector(".xterm-screen").getBoundingClientRect();
  return [screen.left, screen.top, window.innerWidth - screen.right, window.innerHeight - screen.bottom].map(Math.round);
}"""
"""Pixels from each side of the window to the terminal's cells; below zero where some are out of sight."""


class Chromium:
    """One browser with a fresh profile, that fetches nothing of its own."""

    def __init__(self, folder: Path) -> None:
        program = shutil.which("chromium")
        assert program, "chromium is not installed: the tests need it (Debian: apt-get install chromium)"
        port_file = folder / "DevToolsActivePort"
        folder.mkdir()
        self.process = subprocess.Popen(
            [
                program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
                "--disable-dev-shm-usage", "--no-first-run", "--hide-scrollbars", f"--user-data-dir={folder}",
                "--remote-debugging-port=0", "about:blank",
            ],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        wait_until(lambda: port_file.exists() and port_file.read_text().count("\n") > 0, "chromium", START_S)
        self.place = f"127.0.0.1:{port_file.read_text().splitlines()[0]}"

    def stop(self) -> None:
        """End it."""
        self.process.terminate()
        try:
            self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)

    @asynccontextmanager
    async def page(self, url: str, width: int, height: int) -> AsyncIterator["Page"]:
        """A page of that many pixels at `url`; everything it does is noted from its first request on."""
        async with aiohttp.ClientSession() as web:
            async with web.put(f"http://{self.place}/json/new?about:blank") as answer:
                target = await answer.json()
            async with web.ws_connect(target["webSocketDebuggerUrl"], max_msg_size=0) as wire:
                page = Page(wire)
                reading = asyncio.create_task(page.read())
                try:
                    for domain in ("Page", "Network", "Runtime", "Log"):
                        await page.call(f"{domain}.enable")
                    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
                    await page.call("Emulation.setDeviceMetricsOverride", **size)
                    await page.call("Page.navigate", url=url)
                    yield page
                finally:
                    reading.cancel()
            async with web.get(f"http://{self.place}/json/close/{target['id']}"):
                pass


class Page:
    """One tab."""

    def __init__(self, wire: "aiohttp.ClientWebSocketResponse") -> None:
        self._wire = wire
        self._count = 0
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._terminal = ""
        self.requested: list[str] = []
        """Every address it asked for."""
        self.complaints: list[str] = []
        """Errors of the page's scripts and of the browser about it."""

    async def read(self) -> None:
        """Take what the browser says, until cancelled."""
        async for message in self._wire:
            reported = json.loads(message.data)
            if "id" in reported:
                self._waiting.pop(reported["id"]).set_result(reported)
            elif reported["method"] == "Network.requestWillBeSent":
                self.requested.append(reported["params"]["request"]["url"])
            elif reported["method"] == "Network.webSocketCreated":
                self.requested.append(reported["params"]["url"])
            elif reported["method"] == "Runtime.exceptionThrown":
                self.complaints.append(json.dumps(reported["params"]["exceptionDetails"]))
            elif reported["method"] == "Log.entryAdded" and reported["params"]["entry"]["level"] == "error":
                self.complaints.append(reported["params"]["entry"]["text"])

    async def call(self, method: str, **words: Any) -> dict[str, Any]:
        """One call of the protocol; its result."""
        self._count += 1
        answer = self._waiting[self._count] = asyncio.get_running_loop().create_future()
        await self._wire.send_json({"id": self._count, "method": method, "params": words})
        reported = await asyncio.wait_for(answer, ANSWER_S)
        assert "error" not in reported, f"{method}: {reported.get('error')}"
        result: dict[str, Any] = reported["result"]
        return result

    async def until_true(self, expression: str, timeout_s: float = 60.0) -> None:
        """Wait until an expression is true in the page."""
        async with asyncio.timeout(timeout_s):
            while True:
                if await self.evaluate(expression):
                    return
                await asyncio.sleep(0.1)

    async def evaluate(self, expression: str) -> Any:
        """Value of an expression in the page."""
        reported = await self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        return reported["result"].get("value")

    async def text(self) -> str:
        """What the terminal in the page shows, row by row; empty when there is none yet."""
        if not self._terminal:
            root = (await self.call("Runtime.evaluate", expression="Object.prototype"))["result"]["objectId"]
            every = (await self.call("Runtime.queryObjects", prototypeObjectId=root))["objects"]["objectId"]
            found = (await self.call("Runtime.callFunctionOn", functionDeclaration=_TERMINAL, objectId=every))["result"]
            self._terminal = found.get("objectId", "")
            if not self._terminal:
                return ""
        reported = await self.call(
            "Runtime.callFunctionOn", functionDeclaration=_TEXT, objectId=self._terminal, returnByValue=True
        )
        return str(reported["result"]["value"])

    async def margins(self) -> list[int]:
        """Pixels between the window's sides (left, top, right, bottom) and the terminal's cells."""
        await self.text()
        reported = await self.call(
            "Runtime.callFunctionOn", functionDeclaration=_OVERHANG, objectId=self._terminal, returnByValue=True
        )
        return [int(pixels) for pixels in reported["result"]["value"]]

    async def height(self, figure: str, size: int, timeout_s: float = 60.0) -> None:
        """Wait until `figure` stands in the terminal in dots of `size`, below the word HEIGHT."""
        rows = large(figure, size)
        assert rows is not None
        shown = ""
        try:
            async with asyncio.timeout(timeout_s):
                while True:
                    shown = await self.text()
                    lines = shown.split("\n")
                    top = next((y for y, line in enumerate(lines) if "HEIGHT" in line), len(lines))
                    left = lines[top].index("HEIGHT") if top < len(lines) else 0
                    if [line[left:][: len(rows[0])] for line in lines[top + 1 :][: len(rows)]] == list(rows):
                        return
                    await asyncio.sleep(0.1)
        except TimeoutError:
            raise AssertionError(f"waited {timeout_s} s in vain for {figure}; shown at last:\n{shown}") from None

    async def until(self, *words: str, timeout_s: float = 60.0) -> str:
        """Wait until the terminal shows all of `words`; its text."""
        shown = ""
        try:
            async with asyncio.timeout(timeout_s):
                while True:
                    shown = await self.text()
                    if all(word in shown for word in words):
                        return shown
                    await asyncio.sleep(0.1)
        except TimeoutError:
            raise AssertionError(f"waited {timeout_s} s in vain for {words}; shown at last:\n{shown}") from None

    async def until_any(self, *words: str, timeout_s: float = 60.0) -> str:
        """Wait until the terminal shows one of `words`; its text."""
        async with asyncio.timeout(timeout_s):
            while True:
                shown = await self.text()
                if any(word in shown for word in words):
                    return shown
                await asyncio.sleep(0.1)

    async def until_not(self, words: str, timeout_s: float = 60.0) -> None:
        """Wait until the terminal does not show `words`."""
        async with asyncio.timeout(timeout_s):
            while True:
                if words not in await self.text():
                    return
                await asyncio.sleep(0.1)

    async def press(self, *keys: str) -> None:
        """Press keys one after another: characters, or named ones."""
        for key in keys:
            number, text = NAMED_KEYS.get(key, (0, key))
            code = {"windowsVirtualKeyCode": number, "code": key} if number else {}
            await self.call("Input.dispatchKeyEvent", type="keyDown", key=key, text=text, **code)
            await self.call("Input.dispatchKeyEvent", type="keyUp", key=key, **code)

    async def turn_to(self, key: str, *words: str) -> str:
        """Press the key of a screen until it is there; a key that comes before the terminal has the focus is lost."""
        for _ in range(4):
            await self.focus()
            await self.press(key)
            with contextlib.suppress(AssertionError):
                return await self.until(*words, timeout_s=20.0)
        raise AssertionError(f"{key} leads to no screen with {words}; shown at last:\n{await self.text()}")

    async def focus(self) -> None:
        """Let the terminal have the keys, as a click does."""
        for kind in ("mousePressed", "mouseReleased"):
            await self.call("Input.dispatchMouseEvent", type=kind, x=20, y=20, button="left", clickCount=1)

    async def picture(self) -> bytes:
        """What it looks like, as PNG."""
        return base64.b64decode((await self.call("Page.captureScreenshot", format="png"))["data"])
