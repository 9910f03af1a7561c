"""An import that is ended early leaves nothing behind."""

import signal
import subprocess
import sys
from pathlib import Path

from tests.support.broker import wait_until
from tests.support.slow_data import MAP, Pull


def test_ctrl_c_leaves_no_half_session(tmp_path: Path) -> None:
    log = Pull(seed=1, seconds=2_000_000.0).csv(tmp_path / "log.csv", 10.0)
    (tmp_path / "map.toml").write_text(MAP)
    out = tmp_path / "out.stopmark"
    words = [
        sys.executable,
        "-m",
        "monitor.cli",
        "import",
        str(log),
        "--map",
        str(tmp_path / "map.toml"),
        "-o",
        str(out),
    ]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    wait_until(lambda: out.exists() or process.poll() is not None, "the session is begun")
    process.send_signal(signal.SIGINT)
    said, complained = process.communicate(timeout=120.0)
    assert process.returncode == 130, complained
    assert "Traceback" not in complained
    assert said == ""
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log.csv", "map.toml"]
