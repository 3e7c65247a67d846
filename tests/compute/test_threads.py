"""Linear algebra keeps to one thread."""

import numpy as np
from threadpoolctl import threadpool_info

from server.compute.threads import keep_to_one_thread


def test_linear_algebra_has_one_thread() -> None:
    keep_to_one_thread()
    np.linalg.inv(np.eye(3))
    blas = [one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"]
    assert blas
    assert set(blas) == {1}
