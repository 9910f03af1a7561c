"""Why there is no connection to the broker, in words that a person on the rig can act on."""

import socket
import ssl
from typing import Any, Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from monitor.adapters.host.handles import no_handles
from monitor.adapters.mqtt.address import BrokerUrl, short_reason
from monitor.adapters.mqtt.connection import Closed, Silent, Slow
from monitor.adapters.mqtt.packets import WireError

LOST: Final = "was lost"
"""How the words end when the broker just ended the connection."""


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


def explain(error: BaseException, url: BrokerUrl, client_id: str = "", wire: str = "") -> str:
    """Why there is no connection, in words that say what to do. `wire`: the library's last log line on its socket."""
    place = f"{url.host}:{url.port}"
    cause = error if isinstance(error, OSError) else (error.__context__ or error)
    if isinstance(cause, ssl.SSLCertVerificationError):
        reason = cause.verify_message
        if cause.verify_code in _TIME_CODES:
            return f"{place}: the broker's {reason}: renew it there, or set the clock that is wrong"
        if cause.verify_code in _NAME_CODES:
            return f"{place}: the broker's certificate is for another name ({reason}): use the name that it is for"
        return f"{place}: the broker's certificate is not trusted ({reason}): check ca in the credentials file"
    if isinstance(cause, ssl.SSLError):
        if "WRONG_VERSION" in str(cause) or "RECORD_LAYER" in str(cause):
            return f"{place} does not speak TLS: use mqtt:// or the port for TLS"
        return f"{place}: TLS failed ({cause.reason or cause})"
    if isinstance(cause, OSError) and no_handles():
        return f"no file handles are left to reach {place}: raise the limit of open files"
    if isinstance(cause, socket.gaierror):
        return f"unknown host {url.host!r}: check the name in the broker's address"
    if isinstance(cause, ConnectionRefusedError):
        return f"nothing answers at {place}: is the broker running, and is this its port?"
    if isinstance(error, aiomqtt.MqttError) and str(error) == "Operation timed out":
        return f"{place} accepts connections but does not answer: is the broker frozen, and is this its port?"
    if isinstance(cause, TimeoutError):
        return f"{place} does not answer: is the machine reachable, is a firewall in between?"
    if isinstance(error, aiomqtt.MqttCodeError) and error.rc is not None:
        code = code_of(error.rc)
        if code in _BY_CODE and (isinstance(error, MqttConnectError) or code >= 0x80):
            return f"{place}: {_BY_CODE[code].format(name=client_id)}"
    if "CERTIFICATE_REQUIRED" in wire or "HANDSHAKE_FAILURE" in wire.upper().replace(" ", "_"):
        return f"{place} asks for a client certificate: give cert and key in the credentials file"
    if "ALERT" in wire.upper():
        return f"{place} refuses the monitor's certificate ({_alert(wire)}): check cert and key in the credentials file"
    if isinstance(error, Closed):
        hint = "" if url.tls else ", or the port wants mqtts://"
        return f"{place} closed the connection instead of answering: it may not be an MQTT broker{hint}"
    if isinstance(error, Silent):
        return f"{place}: {_BY_CODE[0x8D]}"
    if isinstance(error, Slow):
        return f"{place}: one message took too long to come in and held up all others; connecting anew"
    if isinstance(error, WireError):
        return f"{place} does not keep to MQTT ({error}): is it a broker, and sound?"
    if isinstance(cause, OSError):
        return f"{place} cannot be reached ({short_reason(cause)})"
    return f"the connection to {place} {LOST}"


def _alert(wire: str) -> str:
    """The TLS alert's own name, out of a log line."""
    for word in wire.replace("]", " ").split():
        if "ALERT" in word:
            return word.split("ALERT_")[-1].lower().replace("_", " ")
    return "TLS alert"
