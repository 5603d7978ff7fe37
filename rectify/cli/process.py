"""What a command settles for its own process before numpy is loaded: how memory is kept, how many threads add up.

Not for the Python interface: there the process belongs to somebody else.
"""

from __future__ import annotations

import gc
import os
import sys

__all__ = ["settle_process"]

_TRIM, _TOP_PAD, _MMAP = -1, -2, -3  # of mallopt, malloc.h
_KEPT_BYTES, _AHEAD_BYTES, _OWN_BYTES = 2**30, 2**26, 2**25
_SWEEPS = 50_000, 20, 20  # objects made between two searches for cycles, instead of 700


def settle_process() -> None:
    """One thread for small sums, and memory that one array gave back stays for the next.

    Several threads take longer over what is added up here than one, and their number must not show in the last digits.
    glibc gives large blocks back to the system at once, which then clears them anew for every array: a sixth of a
    command's time (measured). On other systems nothing happens. Cycles of dead objects are searched for less often:
    classes and rulebooks are made by the ten thousand while starting, and stay.
    """
    gc.set_threshold(*_SWEEPS)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError):  # a C library without it
        return
    mallopt.argtypes, mallopt.restype = [ctypes.c_int, ctypes.c_int], ctypes.c_int
    for what, value in ((_MMAP, _OWN_BYTES), (_TRIM, _KEPT_BYTES), (_TOP_PAD, _AHEAD_BYTES)):
        mallopt(what, value)
