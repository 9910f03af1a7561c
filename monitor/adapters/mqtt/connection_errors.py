"""Why there is no connection to the broker, in words that a person on the rig can act on.

`CAUSES` is asked from top to bottom; the first answer wins. Its order matters where an error fits several rows: a rejected
certificate is also a TLS error, which is also an error of the system.
"""

import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from monitor.adapters.host.os_errors import no_handles, short_reason
from monitor.adapters.mqtt.address import BrokerUrl
from monitor.adapters.mqtt.connection import Closed, Silent, Slow
from monitor.adapters.mqtt.packets import PacketError

LOST: Final = "was lost"
"""How the words end when the broker simply ended the connection."""


def code_of(code: Any) -> int:
    """The number of a return or reason code."""
    return code.value if isinstance(code, ReasonCode) else int(code or 0)


_BY_CODE: Final = {
    0x84: "the broker does not speak MQTT 3.1.1",
    0x85: "the broker refuses the client name {name}",
    0x86: "wrong user or password",
    0x87: "the broker does not let this user in: check user and password",
    0x88: "the broker is not ready to serve",
    0x8D: "nothing was heard for too long: is the broker frozen, or the network cut?",
}
"""Reason codes as the library gives them (those of MQTT 5, to which it translates), in our words."""


_TIME_CODES: Final = (9, 10)
_NAME_CODES: Final = (62, 64)
"""OpenSSL's X509_V_ERR codes: not yet valid, has expired; host mismatch, address mismatch."""


@dataclass(frozen=True, slots=True)
class Failure:
    """One attempt to connect that failed."""

    error: BaseException
    url: BrokerUrl
    client_id: str = ""
    log_line: str = ""
    """The library's last log line on its socket: nothing else says why TLS failed."""

    @property
    def cause(self) -> BaseException:
        """The error of the system behind the library's error."""
        return self.error if isinstance(self.error, OSError) else (self.error.__context__ or self.error)

    @property
    def place(self) -> str:
        """Host and port."""
        return f"{self.url.host}:{self.url.port}"


def certificate_dates(failure: Failure) -> str | None:
    """The broker's certificate is not valid now."""
    cause = failure.cause
    if isinstance(cause, ssl.SSLCertVerificationError) and cause.verify_code in _TIME_CODES:
        return f"{failure.place}: the broker's {cause.verify_message}: renew it there, or set the clock that is wrong"
    return None


def certificate_name(failure: Failure) -> str | None:
    """The broker's certificate is for another host."""
    cause = failure.cause
    if isinstance(cause, ssl.SSLCertVerificationError) and cause.verify_code in _NAME_CODES:
        reason = cause.verify_message
        return f"{failure.place}: the broker's certificate is for another name ({reason}): use the name that it is for"
    return None


def certificate_untrusted(failure: Failure) -> str | None:
    """The broker's certificate is signed by no trusted authority."""
    cause = failure.cause
    if isinstance(cause, ssl.SSLCertVerificationError):
        reason = cause.verify_message
        return f"{failure.place}: the broker's certificate is not trusted ({reason}): check ca in the credentials file"
    return None


def no_tls_there(failure: Failure) -> str | None:
    """The port does not speak TLS."""
    cause = failure.cause
    if isinstance(cause, ssl.SSLError) and ("WRONG_VERSION" in str(cause) or "RECORD_LAYER" in str(cause)):
        return f"{failure.place} does not speak TLS: use mqtt:// or the port for TLS"
    return None


def tls_failed(failure: Failure) -> str | None:
    """TLS failed in another way."""
    cause = failure.cause
    if isinstance(cause, ssl.SSLError):
        return f"{failure.place}: TLS failed ({cause.reason or cause})"
    return None


def handles_used_up(failure: Failure) -> str | None:
    """Nothing can be opened; libraries report this as an unknown host or as a connection that failed."""
    if isinstance(failure.cause, OSError) and no_handles():
        return f"no file handles are left to reach {failure.place}: raise the limit of open files"
    return None


def host_unknown(failure: Failure) -> str | None:
    """The name cannot be looked up."""
    if isinstance(failure.cause, socket.gaierror):
        return f"unknown host {failure.url.host!r}: check the name in the broker's address"
    return None


def port_closed(failure: Failure) -> str | None:
    """The machine is there, but no program listens."""
    if isinstance(failure.cause, ConnectionRefusedError):
        return f"nothing answers at {failure.place}: is the broker running, and is this its port?"
    return None


def broker_silent(failure: Failure) -> str | None:
    """The connection was accepted, and then no answer came."""
    if isinstance(failure.error, aiomqtt.MqttError) and str(failure.error) == "Operation timed out":
        return f"{failure.place} accepts connections but does not answer: is the broker frozen, and is this its port?"
    return None


def machine_silent(failure: Failure) -> str | None:
    """Not even a connection was accepted."""
    if isinstance(failure.cause, TimeoutError):
        return f"{failure.place} does not answer: is the machine reachable, is a firewall in between?"
    return None


def broker_refuses(failure: Failure) -> str | None:
    """The broker gives a reason code."""
    error = failure.error
    if isinstance(error, aiomqtt.MqttCodeError) and error.rc is not None:
        code = code_of(error.rc)
        if code in _BY_CODE and (isinstance(error, MqttConnectError) or code >= 0x80):
            return f"{failure.place}: {_BY_CODE[code].format(name=failure.client_id)}"
    return None


def certificate_wanted(failure: Failure) -> str | None:
    """The broker wants a certificate of ours, and there is none."""
    line = failure.log_line
    if "CERTIFICATE_REQUIRED" in line or "HANDSHAKE_FAILURE" in line.upper().replace(" ", "_"):
        return f"{failure.place} asks for a client certificate: give cert and key in the credentials file"
    return None


def certificate_refused(failure: Failure) -> str | None:
    """The broker ended TLS with another alert."""
    line = failure.log_line
    if "ALERT" in line.upper():
        return (
            f"{failure.place} refuses the monitor's certificate ({_alert(line)}):"
            " check cert and key in the credentials file"
        )
    return None


def closed_unanswered(failure: Failure) -> str | None:
    """The connection was closed in place of an answer."""
    if isinstance(failure.error, Closed):
        hint = "" if failure.url.tls else ", or the port wants mqtts://"
        return f"{failure.place} closed the connection instead of answering: it may not be an MQTT broker{hint}"
    return None


def fell_silent(failure: Failure) -> str | None:
    """Nothing came any more over a connection that stood."""
    return f"{failure.place}: {_BY_CODE[0x8D]}" if isinstance(failure.error, Silent) else None


def message_slow(failure: Failure) -> str | None:
    """One message did not come to its end."""
    if isinstance(failure.error, Slow):
        return f"{failure.place}: one message took too long to come in and held up all others; connecting anew"
    return None


def no_mqtt(failure: Failure) -> str | None:
    """What came is not MQTT."""
    if isinstance(failure.error, PacketError):
        return f"{failure.place} does not keep to MQTT ({failure.error}): is it a broker, and sound?"
    return None


def unreachable(failure: Failure) -> str | None:
    """Any other error of the system."""
    cause = failure.cause
    return f"{failure.place} cannot be reached ({short_reason(cause)})" if isinstance(cause, OSError) else None


CAUSES: Final[tuple[Callable[[Failure], str | None], ...]] = (
    certificate_dates,
    certificate_name,
    certificate_untrusted,
    no_tls_there,
    tls_failed,
    handles_used_up,
    host_unknown,
    port_closed,
    broker_silent,
    machine_silent,
    broker_refuses,
    certificate_wanted,
    certificate_refused,
    closed_unanswered,
    fell_silent,
    message_slow,
    no_mqtt,
    unreachable,
)
"""Every known cause, in the order in which they are asked."""


def explain(failure: Failure) -> str:
    """Why there is no connection, in words that say what to do."""
    for cause in CAUSES:
        if words := cause(failure):
            return words
    return f"the connection to {failure.place} {LOST}"


def _alert(line: str) -> str:
    """The TLS alert's own name, out of a log line."""
    for word in line.replace("]", " ").split():
        if "ALERT" in word:
            return word.split("ALERT_")[-1].lower().replace("_", " ")
    return "TLS alert"
