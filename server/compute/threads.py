"""One computing thread per process for linear algebra."""

from __future__ import annotations

from threadpoolctl import threadpool_limits

# Kept for the life of the process: the limits end with the object.
_kept: list[threadpool_limits] = []


def keep_to_one_thread() -> None:
    """Let the linear algebra library work with one thread.

    Notes
    -----
    The matrices of some hundred runs are so small that threads mostly wait for each other: with one, a fit and
    proposal at 200 runs take 0.6 s instead of 1.4, and much less where several processes share the cores
    (measured on two cores). Environment variables come too late once the library is loaded.
    """
    if not _kept:
        # Loads the library, so that there is something to limit.
        import scipy.linalg  # noqa: F401

        _kept.append(threadpool_limits(1, user_api="blas"))
