"""Worker processes for the benchmarks, one computing thread each as in the app."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

from server.compute.threads import keep_to_one_thread


def pool_of(workers: int) -> ProcessPoolExecutor:
    """Return a pool whose processes do not compete for the cores with threads of their own."""
    return ProcessPoolExecutor(workers, initializer=keep_to_one_thread)
