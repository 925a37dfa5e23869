"""How much the daemon takes from its clients. One that floods it is refused, not served slowly to all."""

from collections import OrderedDict

LARGEST_BODY = 256 * 1024
LARGEST_HEADERS = 16 * 1024
LARGEST_MESSAGE = 4 * 1024
MOST_CONNECTIONS = 128
MOST_LIVE = 32
HEADERS_S = 10.0
BODY_S = 10.0
READING_S = 30.0

REQUESTS_A_SECOND = 50.0
REQUESTS_AT_ONCE = 150.0
ALL_REQUESTS_A_SECOND = 150.0
ALL_REQUESTS_AT_ONCE = 300.0
CLIENTS_KEPT = 256


class Bucket:
    """Tokens that come back at a steady rate; a request takes one."""

    __slots__ = ("_at_once", "_left", "_rate", "_then_s")

    def __init__(self, rate: float, at_once: float, now_s: float) -> None:
        self._rate = rate
        self._at_once = at_once
        self._left = at_once
        self._then_s = now_s

    def wait_s(self, now_s: float) -> float:
        """Seconds until a token is there; 0 when one is."""
        self._left = min(self._at_once, self._left + (now_s - self._then_s) * self._rate)
        self._then_s = now_s
        return max(0.0, (1 - self._left) / self._rate)

    def take(self) -> None:
        """Take a token that is there."""
        self._left -= 1


class Rates:
    """Requests of each client, and of all together: a client that changes its name gains nothing."""

    def __init__(self) -> None:
        self._all: Bucket | None = None
        self._each: OrderedDict[str, Bucket] = OrderedDict()

    def wait_s(self, client: str, now_s: float) -> float:
        """0 if this request is served, else in how many seconds to ask again."""
        if self._all is None:
            self._all = Bucket(ALL_REQUESTS_A_SECOND, ALL_REQUESTS_AT_ONCE, now_s)
        its = self._each.pop(client, None) or Bucket(REQUESTS_A_SECOND, REQUESTS_AT_ONCE, now_s)
        self._each[client] = its
        if len(self._each) > CLIENTS_KEPT:
            self._each.popitem(last=False)
        wait_s = max(its.wait_s(now_s), self._all.wait_s(now_s))
        if wait_s == 0.0:
            its.take()
            self._all.take()
        return wait_s
