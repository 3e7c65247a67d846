"""Worker processes for the benchmarks, one computing thread each."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

from threadpoolctl import threadpool_limits


def pool_of(workers: int) -> ProcessPoolExecutor:
    """Return a pool whose processes do not compete for the cores with threads of their own.

    The linear algebra library is loaded before the workers start, so environment variables come too late for it.
    """
    return ProcessPoolExecutor(workers, initializer=_one_thread)


def _one_thread() -> None:
    # Kept for the life of the process: the limits end with the object.
    global _LIMITS
    _LIMITS = threadpool_limits(1)


_LIMITS: threadpool_limits | None = None
