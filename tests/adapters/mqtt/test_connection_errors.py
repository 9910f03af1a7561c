"""Every cause of a failed connection has its words, and the more exact of two that fit comes first."""

import socket
import ssl
from collections.abc import Callable

import aiomqtt
import pytest

from monitor.adapters.mqtt import connection_errors as module
from monitor.adapters.mqtt.address import parse_broker_url
from monitor.adapters.mqtt.connection import Closed, Silent, Slow
from monitor.adapters.mqtt.connection_errors import CAUSES, LOST, Failure, explain
from monitor.adapters.mqtt.packets import PacketError

PLAIN = parse_broker_url("mqtt://rig-broker.invalid", {})
TLS = parse_broker_url("mqtts://rig-broker.invalid", {})


def tls_error(reason: str, words: str) -> ssl.SSLError:
    error = ssl.SSLError(1, f"[SSL: {reason}] {words}")
    error.reason = reason
    return error


def rejected(code: int, reason: str) -> ssl.SSLCertVerificationError:
    error = ssl.SSLCertVerificationError(1, "[SSL: CERTIFICATE_VERIFY_FAILED] certificate verify failed")
    error.reason, error.verify_code, error.verify_message = "CERTIFICATE_VERIFY_FAILED", code, reason
    return error


def behind(cause: BaseException, error: BaseException) -> BaseException:
    """The library's error, raised while `cause` was handled."""
    error.__context__ = cause
    return error


EXPIRED = Failure(rejected(10, "certificate has expired"), TLS)
OTHER_NAME = Failure(rejected(62, "Hostname mismatch"), TLS)
SELF_SIGNED = Failure(rejected(18, "self-signed certificate"), TLS)
NO_TLS = Failure(tls_error("WRONG_VERSION_NUMBER", "wrong version number"), TLS)
TLS_BROKEN = Failure(tls_error("BAD_SIGNATURE", "bad signature"), TLS)
UNKNOWN_HOST = Failure(socket.gaierror(-2, "Name or service not known"), PLAIN)
NOBODY = Failure(behind(ConnectionRefusedError(111, "Connection refused"), aiomqtt.MqttError("x")), PLAIN)
FROZEN = Failure(behind(TimeoutError(), aiomqtt.MqttError("Operation timed out")), PLAIN)
FAR_AWAY = Failure(TimeoutError("timed out"), PLAIN)
UNWANTED = Failure(aiomqtt.MqttError("x"), TLS, log_line="[SSL: TLSV1_ALERT_UNKNOWN_CA] tlsv1 alert unknown ca")
WANTED = Failure(aiomqtt.MqttError("x"), TLS, log_line="[SSL: TLSV13_ALERT_CERTIFICATE_REQUIRED] alert")
CLOSED = Failure(behind(OSError(104, "Connection reset by peer"), Closed("x")), PLAIN)
SILENT = Failure(behind(OSError(104, "Connection reset by peer"), Silent()), PLAIN)
SLOW = Failure(behind(OSError(104, "Connection reset by peer"), Slow()), PLAIN)
BABBLE = Failure(behind(OSError(104, "Connection reset by peer"), PacketError("a message without a topic")), PLAIN)
NO_ROUTE = Failure(OSError(101, "Network is unreachable"), PLAIN)

CASES: dict[Callable[[Failure], str | None], tuple[Failure, str]] = {
    module.certificate_dates: (EXPIRED, "the broker's certificate has expired: renew it there"),
    module.certificate_name: (OTHER_NAME, "for another name (Hostname mismatch): use the name that it is for"),
    module.certificate_untrusted: (SELF_SIGNED, "is not trusted (self-signed certificate): check ca"),
    module.no_tls_there: (NO_TLS, "rig-broker.invalid:8883 does not speak TLS: use mqtt://"),
    module.tls_failed: (TLS_BROKEN, "TLS failed (BAD_SIGNATURE)"),
    module.host_unknown: (UNKNOWN_HOST, "unknown host 'rig-broker.invalid': check the name"),
    module.port_closed: (NOBODY, "nothing answers at rig-broker.invalid:1883: is the broker running"),
    module.broker_silent: (FROZEN, "accepts connections but does not answer: is the broker frozen"),
    module.machine_silent: (FAR_AWAY, "does not answer: is the machine reachable, is a firewall in between?"),
    module.broker_refuses: (
        Failure(aiomqtt.MqttCodeError(0x85), PLAIN, "rig-1"),
        "the broker refuses the client name rig-1",
    ),
    module.certificate_wanted: (WANTED, "asks for a client certificate: give cert and key"),
    module.certificate_refused: (UNWANTED, "refuses the monitor's certificate (unknown ca): check cert and key"),
    module.closed_unanswered: (CLOSED, "it may not be an MQTT broker, or the port wants mqtts://"),
    module.fell_silent: (SILENT, "nothing was heard for too long: is the broker frozen, or the network cut?"),
    module.message_slow: (SLOW, "one message took too long to come in and held up all others"),
    module.no_mqtt: (BABBLE, "does not keep to MQTT (a message without a topic): is it a broker, and sound?"),
    module.unreachable: (NO_ROUTE, "cannot be reached (Network is unreachable)"),
}

OVERLAPS = [
    (module.certificate_dates, module.certificate_untrusted, EXPIRED),
    (module.certificate_name, module.certificate_untrusted, OTHER_NAME),
    (module.certificate_untrusted, module.tls_failed, SELF_SIGNED),
    (module.no_tls_there, module.tls_failed, NO_TLS),
    (module.tls_failed, module.unreachable, TLS_BROKEN),
    (module.host_unknown, module.unreachable, UNKNOWN_HOST),
    (module.port_closed, module.unreachable, NOBODY),
    (module.broker_silent, module.machine_silent, FROZEN),
    (module.machine_silent, module.unreachable, FAR_AWAY),
    (
        module.broker_refuses,
        module.certificate_refused,
        Failure(aiomqtt.MqttCodeError(0x87), TLS, log_line=UNWANTED.log_line),
    ),
    (module.certificate_wanted, module.certificate_refused, WANTED),
    (module.certificate_refused, module.closed_unanswered, Failure(Closed("x"), TLS, log_line=UNWANTED.log_line)),
    (module.closed_unanswered, module.unreachable, CLOSED),
    (module.fell_silent, module.unreachable, SILENT),
    (module.message_slow, module.unreachable, SLOW),
    (module.no_mqtt, module.unreachable, BABBLE),
]

WORDS_WITHOUT_HANDLES = [(module.tls_failed, TLS_BROKEN)]
HIDDEN_WITHOUT_HANDLES = [
    (module.host_unknown, UNKNOWN_HOST),
    (module.port_closed, NOBODY),
    (module.broker_silent, FROZEN),
    (module.machine_silent, FAR_AWAY),
    (module.unreachable, NO_ROUTE),
]


@pytest.mark.parametrize("cause", CASES, ids=lambda cause: cause.__name__)
def test_every_cause_has_its_words(cause: Callable[[Failure], str | None]) -> None:
    failure, words = CASES[cause]
    assert words in (cause(failure) or "")
    assert explain(failure) == cause(failure)


def test_every_cause_has_a_case() -> None:
    assert {*CASES, module.handles_used_up} == {*CAUSES}
    assert len(CAUSES) == len({*CAUSES})


@pytest.mark.parametrize(
    ("first", "second", "failure"),
    OVERLAPS,
    ids=[f"{first.__name__} before {second.__name__}" for first, second, _ in OVERLAPS],
)
def test_of_two_causes_that_fit_the_more_exact_is_told(
    first: Callable[[Failure], str | None], second: Callable[[Failure], str | None], failure: Failure
) -> None:
    assert explain(failure) == first(failure)
    assert second(failure) not in (None, first(failure))


def test_without_file_handles_all_but_tls_is_told_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "no_handles", lambda: True)
    for cause, failure in HIDDEN_WITHOUT_HANDLES:
        assert "no file handles are left to reach rig-broker.invalid" in explain(failure)
        assert cause(failure) not in (None, explain(failure))
    for cause, failure in WORDS_WITHOUT_HANDLES:
        assert explain(failure) == cause(failure)
        assert module.handles_used_up(failure) is not None


def test_what_has_no_cause_was_lost() -> None:
    assert explain(Failure(aiomqtt.MqttError("x"), PLAIN)) == f"the connection to rig-broker.invalid:1883 {LOST}"
