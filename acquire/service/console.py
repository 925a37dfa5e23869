"""Windows: closing the console's window, logging off and shutting down end the daemon like a signal would.

The system calls the handler in a thread of its own and kills the process as
soon as it returns, so it waits until everything was tidied up. Windows gives
about five seconds for that.
"""

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator

_CLOSE_LOGOFF_SHUTDOWN = (2, 5, 6)  # CTRL_CLOSE_EVENT and the two after it, from wincon.h
_WAIT_S = 4.5


@contextlib.contextmanager
def closing_console(leave: Callable[[], None]) -> Iterator[None]:
    """Call ``leave`` when the console closes, and hold the end back until this block is left."""
    if sys.platform != "win32":
        yield
        return
    import ctypes

    done = threading.Event()

    def handle(event: int) -> bool:
        if event not in _CLOSE_LOGOFF_SHUTDOWN:
            return False
        leave()
        done.wait(_WAIT_S)
        return True

    handler = ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint)(handle)
    ctypes.windll.kernel32.SetConsoleCtrlHandler(handler, True)
    try:
        yield
    finally:
        done.set()
        ctypes.windll.kernel32.SetConsoleCtrlHandler(handler, False)
