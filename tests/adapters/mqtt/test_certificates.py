"""When certificates end: read as openssl reads them, said before they do, and never a reason to stumble."""

import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.adapters.mqtt.address import BrokerUrl
from monitor.adapters.mqtt.certificates import SOON_S, ends, ends_s, warnings
from tests.support.broker import Certificates, command


def end_by_openssl(path: Path) -> float:
    words = [command("openssl"), "x509", "-in", str(path), "-noout", "-enddate"]
    text = subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()
    return datetime.strptime(text, "notAfter=%b %d %H:%M:%S %Y GMT").replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize("days", [30, 825, 20_000])  # the last one ends after 2049, and is written in another form
def test_the_end_is_the_one_that_openssl_tells(certificates: Certificates, days: int) -> None:
    path = certificates.issue(f"days-{days}", days=days)
    assert ends_s(path.read_bytes()) == [end_by_openssl(path)]
    both = path.read_bytes() + b"some words between\n" + certificates.ca.read_bytes()
    assert ends_s(both) == [end_by_openssl(path), end_by_openssl(certificates.ca)]


@given(st.binary(max_size=80), st.integers(0, 500), st.integers(0, 255))
@example(b"", 0, 0)
def test_rubbish_has_no_end(data: bytes, at: int, byte: int) -> None:
    assert ends_s(data) == []
    body = bytearray(WHOLE)
    body[at % len(body)] = byte
    assert all(isinstance(end, float) for end in ends_s(bytes(body)))


# A real one, made for this test, with its key thrown away; it ends at 2000-01-02 00:00 UTC.
WHOLE = b"""-----BEGIN CERTIFICATE-----
MIIBFzCBvwIUMqMvGhaJ0hoxRav+0c3jY4rCun0wCgYIKoZIzj0EAwIwDzENMAsG
A1UEAwwEdGVzdDAeFw0wMDAxMDEwMDAwMDBaFw0wMDAxMDIwMDAwMDBaMA8xDTAL
BgNVBAMMBHRlc3QwWTATBgcqhkjOPQIBBggqhkjOPQMBBwNCAARJxbkl5TZr93lH
OyxWfGb3pDJZKN61LiM9T/JHtD3laXPhpJRhgJ5/KOWZShR93+SONHmu+GzxJvzS
FR576xFgMAoGCCqGSM49BAMCA0cAMEQCIH0PLBaZubZa/r8BzSc1r+ZsKfX91RZV
cghPL5OTJvktAiBvjX1dh0tRIltSllo91OcSa0WVgNSXrsIZ2IbcCD57vA==
-----END CERTIFICATE-----
"""


def test_the_certificate_kept_here_is_whole() -> None:
    assert ends_s(WHOLE) == [datetime(2000, 1, 2, tzinfo=UTC).timestamp()]


def test_it_is_said_a_month_ahead_and_afterwards(certificates: Certificates, tmp_path: Path) -> None:
    path = certificates.issue("client")
    end_s = end_by_openssl(path)
    bundle = tmp_path / "ca.pem"  # of several authorities one that goes on is enough
    bundle.write_bytes(WHOLE + certificates.ca.read_bytes())
    url = BrokerUrl("h", 8883, True, ca=bundle, cert=path)
    found = ends(url)
    assert found == {"authority": (bundle, end_by_openssl(certificates.ca)), "client": (path, end_s)}
    del found["authority"]
    assert list(warnings(found, end_s - SOON_S - 1.0)) == []
    (soon,) = warnings(found, end_s - 86_400.0 * 1.5)
    assert f"{path}: the certificate ends on {datetime.fromtimestamp(end_s, UTC):%Y-%m-%d %H:%M} UTC, in 1 day" in soon
    (over,) = warnings(found, end_s + 1.0)
    assert "has ended on" in over


def test_what_is_not_given_or_not_readable_is_left_out(tmp_path: Path) -> None:
    assert ends(BrokerUrl("h", 1883)) == {}
    rubbish = tmp_path / "rubbish.pem"
    rubbish.write_bytes(b"\xff\x00")
    assert ends(BrokerUrl("h", 8883, True, ca=tmp_path / "none.pem", cert=rubbish)) == {}
