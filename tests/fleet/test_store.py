"""Sessions and results in a store of objects: a real S3 server, on this machine."""

import io
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import fsspec
import pyarrow.parquet as pq
import pytest
from moto.server import ThreadedMotoServer

from monitor.adapters.ledger.entries import FALSE_ALARM
from monitor.adapters.ledger.ledger import Ledger, ledger_path
from monitor.cli import main
from monitor.core.checks.overtravel import OVERTRAVEL
from monitor.errors import UserError
from monitor.fleet.parts import Parts
from monitor.fleet.rig_summary import recorded_session
from monitor.fleet.session_findings import RECORDED, Task, findings_of
from monitor.fleet.store import Store, out_folder


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The file system of a server with the empty bucket ``rigs``."""
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    settings = {
        "endpoint_url": f"http://{host}:{port}",
        "key": "monitor",
        "secret": "of the test",
        "skip_instance_cache": True,
    }
    monkeypatch.setitem(fsspec.config.conf, "s3", settings)
    files = fsspec.filesystem("s3")
    files.mkdir("rigs")
    yield files
    # What it holds belongs to the process, not to the server.
    urllib.request.urlopen(urllib.request.Request(f"http://{host}:{port}/moto-api/reset", method="POST")).close()
    server.stop()


def test_a_back_test_reads_from_a_store_and_leaves_its_results_there(
    bucket: Any, crown: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bucket.put_file(str(crown), "rigs/north/crown.stopmark")
    bucket.pipe_file("rigs/south/bad.stopmark", b"no session at all")
    words = ["backtest", "s3://rigs/*/*.stopmark", "--set", "limits.reaction_s=1.5", "--workers", "0"]
    assert main([*words, "-o", "s3://rigs/trial"]) == 1
    first = capsys.readouterr()
    assert "sessions: 1" in first.out
    assert "0 of them worked out before" in first.out
    assert "is not a Stopmark session" in first.err
    assert b"<h1>Back-test of rules</h1>" in bucket.cat_file("rigs/trial/index.html")
    there = pq.read_table(io.BytesIO(bucket.cat_file("rigs/trial/alarms.parquet"))).to_pylist()

    bucket.invalidate_cache()
    assert main([*words, "-o", "s3://rigs/trial"]) == 1
    assert "1 of them worked out before" in capsys.readouterr().out

    assert main(["backtest", str(crown), *words[2:], "-o", str(tmp_path / "here")]) == 1
    here = pq.read_table(tmp_path / "here" / "alarms.parquet").to_pylist()
    assert [{**row, "session": ""} for row in there] == [{**row, "session": ""} for row in here]


def rig_rows(bucket: Any, crown: Path, tmp_path: Path, sessions: str, ledger: str, *more: str) -> list[dict[str, Any]]:
    """The table of rigs in a report on sessions in the store, with a ledger that lies at `ledger` in it."""
    recorded = recorded_session(str(crown))
    with Ledger(ledger_path(tmp_path, recorded.rig)) as book:
        book.add("line-work", recorded.to_ns, recorded.to_ns, text="measured", numbers={"work_j": 5e9, "span_s": 50.0})
        words = f"{OVERTRAVEL.title} by AB: pass: as set"
        book.add("check", recorded.from_ns, recorded.to_ns, text=words, numbers={"passed": 1.0})
        for day in range(-20, 1):
            at_ns = recorded.to_ns + day * 24 * 3_600_000_000_000
            book.add("brake", at_ns, at_ns, numbers={"effectiveness": 1.0 - 0.01 * day})
    bucket.put_file(str(crown), "rigs/north/crown.stopmark")
    bucket.put_file(str(book.path), f"rigs/{ledger}/{book.path.name}")
    assert main(["fleet", sessions, *more, "-o", "s3://rigs/report", "--workers", "0"]) == 0
    assert b"Fleet report" in bucket.cat_file("rigs/report/index.html")
    brakes = pq.read_table(io.BytesIO(bucket.cat_file("rigs/report/brakes.parquet"))).to_pylist()
    assert [(row["figure"], row["points"], row["certain"]) for row in brakes] == [("effectiveness", 21, True)]
    return pq.read_table(io.BytesIO(bucket.cat_file("rigs/report/rigs.parquet"))).to_pylist()


def test_the_report_of_a_fleet_reads_sessions_and_ledgers_from_a_store_and_goes_there(
    bucket: Any, crown: Path, tmp_path: Path
) -> None:
    (row,) = rig_rows(bucket, crown, tmp_path, "s3://rigs/*/*.stopmark", "north")
    assert row["alarms"] > 0
    assert row["line_work_j"] == 5e9
    assert row["overtravel_overdue"] is False


def test_ledgers_may_lie_elsewhere_in_the_store(bucket: Any, crown: Path, tmp_path: Path) -> None:
    (row,) = rig_rows(bucket, crown, tmp_path, str(crown), "books", "--data", "s3://rigs/books")
    assert row["line_work_j"] == 5e9
    assert main(["fleet", str(crown), "--data", "s3://rigs/north", "-o", "s3://rigs/report", "--workers", "0"]) == 2


def test_what_crews_called_false_is_read_from_a_store(
    bucket: Any, crown: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recorded = recorded_session(str(crown))
    raised = next(one for one in recorded.findings if one.raised)
    with Ledger(ledger_path(tmp_path, recorded.rig)) as book:
        book.add(FALSE_ALARM, raised.t_ns, raised.t_ns, who="AB", text=raised.key)
    bucket.put_file(str(crown), "rigs/north/crown.stopmark")
    bucket.put_file(str(book.path), f"rigs/north/{book.path.name}")
    words = ["backtest", "s3://rigs/*/*.stopmark", "--set", "limits.reaction_s=1.5", "--workers", "0"]
    assert main([*words, "-o", str(tmp_path / "trial")]) == 1
    rows = pq.read_table(tmp_path / "trial" / "alarms.parquet").to_pylist()
    assert [row["key"] for row in rows if row["called_false"]] == [raised.key]


def test_parts_in_a_store_are_those_of_a_folder(bucket: Any, crown: Path) -> None:
    found = findings_of(Task(str(crown), "content", RECORDED, RECORDED))
    parts = Parts("s3://rigs/parts")
    assert parts.get("key") is None
    parts.put("key", found)
    assert parts.get("key") == found
    bucket.pipe_file("rigs/parts/other.parquet", b"no table")
    assert parts.get("other") is None
    parts.put("key", replace(found, rig="other"))
    bucket.invalidate_cache()
    again = parts.get("key")
    assert again is not None
    assert again.rig == "other"


def test_a_store_that_refuses_is_said(bucket: Any) -> None:
    with pytest.raises(UserError, match="cannot be written"), out_folder("s3://nobucket/x") as out:
        (out / "index.html").write_text("x")
    with pytest.raises(UserError, match="cannot be used"):
        Store("nosuch://x/y")
