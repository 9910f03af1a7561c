"""The broker's address and credentials. No secret is ever on a command line or in a log."""

import contextlib
import os
import ssl
import stat
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import SplitResult, unquote, urlsplit

from monitor.adapters.host.loopback import is_loopback
from monitor.adapters.host.os_errors import short_reason
from monitor.errors import UserError
from monitor.files import check_regular, read_bounded


class BrokerUrlError(UserError):
    """A broker's address or credentials that cannot be used; the message says what to change."""


@dataclass(frozen=True, slots=True)
class BrokerUrl:
    """The broker's address and credentials. Printing it never shows the password."""

    host: str
    port: int
    tls: bool = False
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    """Certificates to trust instead of the system's."""
    cert: Path | None = None
    """The monitor's own certificate, where the broker asks for one."""
    key: Path | None = field(default=None, repr=False)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    def tls_context(self) -> ssl.SSLContext | None:
        """The TLS context; None without TLS.

        Raises:
            BrokerUrlError: a certificate or key file is missing or unusable.
        """
        if not self.tls:
            return None
        try:
            for path in (self.ca, self.cert, self.key):
                if path is not None:
                    check_regular(path)
                    if path.stat().st_size > _MOST_BYTES:
                        raise BrokerUrlError(f"{path}: is too large to be a certificate or a key")
        except OSError as error:
            raise BrokerUrlError(f"{error.filename}: cannot be used ({short_reason(error)})") from None
        try:
            context = ssl.create_default_context(cafile=self.ca)
        except (OSError, ssl.SSLError) as error:
            raise BrokerUrlError(f"{self.ca}: is no usable certificate file ({short_reason(error)})") from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.cert is not None:
            try:
                # An encrypted key would ask for its passphrase on the terminal: an empty one makes it fail instead.
                context.load_cert_chain(self.cert, self.key, password="")
            except (OSError, ssl.SSLError, ValueError) as error:
                raise BrokerUrlError(
                    f"{self.cert} and {self.key or 'its key'}: are no usable certificate and key"
                    f" ({short_reason(error)}); the key must be PEM, belong to the certificate, and not be encrypted"
                ) from None
        return context


_MOST_BYTES: Final = 4 << 20
"""Of a file with certificates: a system's collection of authorities has a quarter of a megabyte."""
_SECRET_BYTES: Final = 64 << 10
_FIELDS = ("user", "password", "ca", "cert", "key")


def parse_broker_url(
    url: str, env: Mapping[str, str], credentials: Path | None = None, allow_open: bool = False
) -> BrokerUrl:
    """The broker at `url` (``mqtt://host[:port]`` or ``mqtts://host[:port]``) with the credentials found.

    They come from the TOML file `credentials` (``user``, ``password``, ``ca``, ``cert``, ``key``; file names in it are
    relative to it), else from STOPMARK_MQTT_USER and STOPMARK_MQTT_PASSWORD or the file STOPMARK_MQTT_PASSWORD_FILE.
    A password in the URL is refused: everybody on the machine can read a command line. So is a secret in a file that everybody
    can read, unless `allow_open`.

    Raises:
        BrokerUrlError: something is wrong with the address, the file or the certificates.
    """
    parts, port = _split(url)
    tls = parts.scheme == "mqtts"
    found = _from_file(credentials) if credentials is not None else _from_env(env)
    _check_credentials(found, tls, credentials)
    files = _named_files(found, credentials) if credentials is not None else {}
    host, user, password = unquote(parts.hostname or ""), found.get("user"), found.get("password")
    broker = BrokerUrl(host, port or (8883 if tls else 1883), tls, user, password, **files)
    broker.tls_context()
    holder = credentials if credentials is not None else _password_file(env)
    for words in () if allow_open else open_secrets(broker, holder):
        raise BrokerUrlError(f"{words}, or allow it with --allow-open-credentials")
    return broker


def _split(url: str) -> tuple[SplitResult, int | None]:
    """The parts of an address that has a scheme of ours, a host, perhaps a port, and nothing else."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise BrokerUrlError(
            f"the broker's address cannot be read ({error}): write mqtt://HOST or mqtt://HOST:PORT"
        ) from None
    if "@" in parts.netloc or "@" in url:
        raise BrokerUrlError(
            "user and password do not belong in the broker's address, where everybody on the machine can read them:"
            " set STOPMARK_MQTT_USER and STOPMARK_MQTT_PASSWORD, or use --credentials FILE"
        )
    if parts.scheme not in ("mqtt", "mqtts"):
        raise BrokerUrlError(f"{url!r}: a broker's address starts with mqtt:// or mqtts:// (with TLS)")
    if not parts.hostname:
        raise BrokerUrlError(f"{url!r}: the broker's host is missing: write {parts.scheme}://HOST")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise BrokerUrlError(f"{url!r}: nothing may follow host and port; topics belong in the rig's file")
    try:
        parts.hostname.encode("idna")
    except UnicodeError:
        raise BrokerUrlError(f"{url!r}: {parts.hostname!r} cannot be the name of a host") from None
    if port == 0:
        raise BrokerUrlError(f"{url!r}: 0 is no port")
    return parts, port


def _check_credentials(found: Mapping[str, str], tls: bool, credentials: Path | None) -> None:
    """Whether the credentials found fit each other and the address."""
    if not tls and {"ca", "cert", "key"} & found.keys():
        raise BrokerUrlError(f"{credentials}: certificates need an address that starts with mqtts://")
    if "key" in found and "cert" not in found:
        raise BrokerUrlError(f"{credentials}: key: needs cert too")
    if "password" in found and "user" not in found:
        raise BrokerUrlError("a password needs a user: set STOPMARK_MQTT_USER, or user in the credentials file")


def _named_files(found: Mapping[str, str], credentials: Path) -> dict[str, Path]:
    """Certificate and key files that the credentials file names, relative to it."""
    files: dict[str, Path] = {}
    for name in ("ca", "cert", "key"):
        if name in found:
            files[name] = credentials.parent / found[name]
            if not files[name].is_file():
                raise BrokerUrlError(f"{credentials}: {name}: there is no file {files[name]}")
    return files


def open_secrets(url: BrokerUrl, credentials: Path | None) -> Iterator[str]:
    """A sentence for each file with a secret of `url` that everybody on this machine may read."""
    for path, secret in ((credentials, url.password), (url.key, url.key)):
        with contextlib.suppress(OSError):
            if path is not None and secret and os.name == "posix" and path.stat().st_mode & stat.S_IROTH:
                yield f"{path}: everybody on this machine can read the secret in it; chmod o= {path}"


def exposed_password(url: BrokerUrl) -> Iterator[str]:
    """A sentence where the password of `url` goes over a network that others can listen to."""
    if url.password and not url.tls and not is_loopback(url.host):
        yield (
            f"the password for {url} goes over the network unencrypted, and whoever listens there can read it:"
            " use mqtts:// where the broker offers it"
        )


def _password_file(env: Mapping[str, str]) -> Path | None:
    """The file that the password came from, when it came from one that the environment names."""
    path = env.get("STOPMARK_MQTT_PASSWORD_FILE")
    return Path(path) if path and not env.get("STOPMARK_MQTT_PASSWORD") else None


def _from_env(env: Mapping[str, str]) -> dict[str, str]:
    found = {}
    if env.get("STOPMARK_MQTT_USER"):
        found["user"] = env["STOPMARK_MQTT_USER"]
    if env.get("STOPMARK_MQTT_PASSWORD"):
        found["password"] = env["STOPMARK_MQTT_PASSWORD"]
    elif env.get("STOPMARK_MQTT_PASSWORD_FILE"):
        path = env["STOPMARK_MQTT_PASSWORD_FILE"]
        try:
            found["password"] = read_bounded(Path(path), _SECRET_BYTES).decode("utf-8-sig").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise BrokerUrlError(
                f"STOPMARK_MQTT_PASSWORD_FILE: {path} cannot be read ({short_reason(error)})"
            ) from None
    return found


def _from_file(path: Path) -> dict[str, str]:
    try:
        table = tomllib.loads(read_bounded(path, _SECRET_BYTES).decode("utf-8-sig").replace("\r\n", "\n"))
    except (OSError, UnicodeDecodeError) as error:
        raise BrokerUrlError(f"{path}: cannot be read ({short_reason(error)})") from None
    except (ValueError, RecursionError):
        # The parser's own message may quote the line, and with it the password.
        raise BrokerUrlError(f'{path}: is not valid TOML: write lines like user = "name"') from None
    for name, value in table.items():
        if name not in _FIELDS:
            raise BrokerUrlError(f"{path}: {name}: unknown field; known: {', '.join(_FIELDS)}")
        if not isinstance(value, str) or not value:
            raise BrokerUrlError(f"{path}: {name}: must be a text that is not empty")
    return table
