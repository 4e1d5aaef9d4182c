"""Memory that threads free goes back to what others may take, in place of a heap for each."""

import ctypes
from contextlib import suppress

_ARENA_MAX, _HEAPS = -8, 2
"""M_ARENA_MAX of glibc's malloc.h, and how many heaps all threads share. Of our choosing."""


def few_heaps() -> None:
    """Let the threads of this process share two heaps, those begun later on; nothing where the C library has no such setting.

    glibc gives each thread one of its own, up to eight for each core: what one has freed, in pieces, no other takes.
    """
    with suppress(AttributeError, OSError):
        ctypes.CDLL(None).mallopt(_ARENA_MAX, _HEAPS)
