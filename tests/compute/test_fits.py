"""The store of heavy results."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from server.compute.fits import ResultStore, fingerprint
from server.compute.work import CancelledError
from server.core.model.runs import RunTable
from tests.factories import agent, hold


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


def test_a_fingerprint_knows_runs_and_names() -> None:
    variables = (hold(), agent("a", "b"))
    coded = np.array([[0.1, 0.0], [0.5, 1.0], [0.9, 0.0]])
    table = RunTable(variables, coded, np.array([50.0, 60.0, 70.0]), np.zeros(3), (1, 2, 3))
    order = [2, 0, 1]
    assert fingerprint(table.rows(np.array(order))) == fingerprint(table)
    # Drift looks at the numbers, sentences name variables and options.
    others = [
        replace(table, numbers=(3, 2, 1)),
        replace(table, variables=(hold(), agent("a", "c"))),
        replace(table, variables=(replace(hold(), name="reflux"), agent("a", "b"))),
        replace(table, failed=np.array([False, True, False])),
        replace(table, extra_sd=np.array([0.0, 1.0, 0.0])),
        replace(table, scatter=4.0),
    ]
    assert len({fingerprint(one) for one in [table, *others]}) == 7


def test_equal_runs_stand_in_the_order_of_their_numbers() -> None:
    table = RunTable((hold(),), np.full((3, 1), 0.5), np.full(3, 60.0), np.zeros(3), (5, 2, 9))
    assert table.in_canonical_order().numbers == (2, 5, 9)
