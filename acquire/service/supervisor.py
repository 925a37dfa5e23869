"""What whoever supervises the daemon is told, by systemd's own protocol (sd_notify(3)); nothing where nobody asks."""

import asyncio
import logging
import os
import socket
from collections.abc import Callable, Mapping

log = logging.getLogger(__name__)


def notify(state: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Send a state such as ``READY=1`` to the socket in ``NOTIFY_SOCKET``; whether there is one and it was sent."""
    address = environment.get("NOTIFY_SOCKET", "")
    family = getattr(socket, "AF_UNIX", None)
    if not address or family is None:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # a name without a file
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as sender:
            sender.setblocking(False)
            sender.connect(address)
            sender.send(state.encode())
    except OSError as error:
        log.warning("the supervisor cannot be told %s (%s)", state, error)
        return False
    return True


def watchdog_s(environment: Mapping[str, str] = os.environ) -> float | None:
    """How often the supervisor wants to hear of this process; None where it does not."""
    try:
        if int(environment.get("WATCHDOG_PID", os.getpid())) != os.getpid():
            return None
        return int(environment.get("WATCHDOG_USEC", "")) / 1e6 or None
    except ValueError:
        return None


async def feed_watchdog(t_us: Callable[[], int], every_s: float, tell: Callable[[str], object] = notify) -> None:
    """Tell the supervisor that all is well, but only while the engine's time moves on."""
    then_us: int | None = None
    while True:
        now_us = t_us()
        if now_us != then_us:
            tell("WATCHDOG=1")
        then_us = now_us
        await asyncio.sleep(every_s / 3)
