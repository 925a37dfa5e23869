"""Whether a name or address means this machine."""

import ipaddress


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
