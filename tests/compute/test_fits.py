"""The store of heavy results."""

from functools import partial

import pytest

from server.compute.fits import ResultStore
from server.compute.work import CancelledError


def test_a_cancelled_computation_leaves_nothing_behind_and_may_be_tried_again() -> None:
    store = ResultStore(size=2)

    def cancelled() -> int:
        raise CancelledError

    for _ in range(2):
        with pytest.raises(CancelledError):
            store.get("key", cancelled)
    assert not store.has("key")
    assert store._busy == {}
    assert store.get("key", lambda: 7) == 7
    assert store.get("key", lambda: 8) == 7


def test_the_oldest_results_make_room() -> None:
    store = ResultStore(size=2)
    for k in range(3):
        store.get(str(k), partial(int, k))
    assert [store.has(str(k)) for k in range(3)] == [False, True, True]
