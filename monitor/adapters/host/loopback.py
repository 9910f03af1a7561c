"""Which addresses only this machine can reach. Alone in its file: a start needs it, and not what serves figures."""

import ipaddress


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach `host`."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"
