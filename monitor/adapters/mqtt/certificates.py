"""When the monitor's certificates end, so that it is reported before the connection is refused.

Python's ssl gives the dates of authorities only. Here as much of a certificate (RFC 5280, section 4.1: DER of a sequence
of version, serial number, algorithm, issuer, validity, ...) is read as it takes to
find the end of its validity.
"""

import binascii
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from monitor.adapters.mqtt.address import BrokerUrl
from monitor.files import read_bounded

SOON_S: Final = 30 * 86_400.0
"""So long before its end a certificate is warned about."""
_LARGEST: Final = 4 << 20
"""Bytes of a file that are looked at; a system's collection of authorities has a quarter of a megabyte."""
_PEM: Final = re.compile(rb"-----BEGIN CERTIFICATE-----([A-Za-z0-9+/=\s]*)-----END CERTIFICATE-----")
_SEQUENCE, _VERSION, _UTC_TIME, _LONG_TIME = 0x30, 0xA0, 0x17, 0x18


def ends(url: BrokerUrl) -> dict[str, tuple[Path, float]]:
    """File and end (s since 1970) of the monitor's own certificate, ``client``, and of the trusted ``authority``.

    What is not given, or cannot be read, is left out: whether it can be used is checked elsewhere. Where a file holds several
    authorities, the last that ends counts; of a client's certificates, the first, which is its own.
    """
    found = {}
    for use, path, pick in (("client", url.cert, next), ("authority", url.ca, max)):
        try:
            times = ends_s(read_bounded(path, _LARGEST)) if path is not None else []
        except OSError:
            times = []
        if path is not None and times:
            found[use] = path, pick(iter(times))
    return found


def warnings(found: Mapping[str, tuple[Path, float]], now_s: float) -> Iterator[str]:
    """A sentence for each certificate that ends soon, or has ended, at wall-clock time `now_s`."""
    for path, end_s in found.values():
        left_s = end_s - now_s
        day = f"{datetime.fromtimestamp(end_s, UTC):%Y-%m-%d %H:%M} UTC"
        if left_s <= 0.0:
            yield f"{path}: the certificate has ended on {day}: renew it, or set the clock that is wrong"
        elif left_s < SOON_S:
            days = int(left_s // 86_400.0)
            left = "today" if days < 1 else "in 1 day" if days == 1 else f"in {days} days"
            yield f"{path}: the certificate ends on {day}, {left}: renew it, or there will be no connection from then on"


def ends_s(data: bytes) -> list[float]:
    """When the certificates in the PEM text `data` end, s since 1970; those that cannot be read are skipped."""
    found = []
    for match in _PEM.finditer(data):
        try:
            found.append(_end_s(binascii.a2b_base64(match[1])))
        except (ValueError, IndexError, OverflowError):
            continue
    return found


def _end_s(der: bytes) -> float:
    whole = _part(der, 0)
    signed = _part(der, _inside(whole, _SEQUENCE))
    at = _inside(signed, _SEQUENCE)
    if der[at] == _VERSION:
        at = _part(der, at)[2]
    for _ in range(3):  # serial number, algorithm, issuer
        at = _part(der, at)[2]
    begin = _part(der, _inside(_part(der, at), _SEQUENCE))
    kind, start, end = _part(der, begin[2])
    text = der[start:end].decode("ascii")
    if kind == _UTC_TIME:
        text = ("19" if int(text[:2]) >= 50 else "20") + text
    elif kind != _LONG_TIME:
        raise ValueError("no time")
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC).timestamp()


def _part(der: bytes, at: int) -> tuple[int, int, int]:
    """Kind of the part that begins at `at`, where its contents start, and where they end."""
    length, start = der[at + 1], at + 2
    if length & 0x80:
        size = length & 0x7F
        length, start = int.from_bytes(der[start : start + size], "big"), start + size
    if start + length > len(der):
        raise ValueError("cut off")
    return der[at], start, start + length


def _inside(part: tuple[int, int, int], kind: int) -> int:
    if part[0] != kind:
        raise ValueError("no certificate")
    return part[1]
