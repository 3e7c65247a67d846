"""Heavy results kept by the hash of their inputs, so that a page shown twice is computed once."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from typing import Any, TypeVar

from server.core.model.ladder import NO_END_LOSSES, Ladder, fit_ladder
from server.core.model.runs import Beside, RunTable

Result = TypeVar("Result")


class ResultStore:
    """A bounded store of results; safe for several threads, each result computed by the first that asks."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._results: OrderedDict[str, Any] = OrderedDict()
        self._lock = Lock()
        self._busy: dict[str, Lock] = {}

    def has(self, key: str) -> bool:
        """Whether a result is stored."""
        with self._lock:
            return key in self._results

    def get(self, key: str, compute: Callable[[], Result]) -> Result:
        """Return the stored result for ``key``, or compute and store it."""
        with self._lock:
            if key in self._results:
                self._results.move_to_end(key)
                found: Result = self._results[key]
                return found
            gate = self._busy.setdefault(key, Lock())
        with gate:
            with self._lock:
                if key in self._results:
                    again: Result = self._results[key]
                    return again
            try:
                result = compute()
            except BaseException:
                # Cancelled or failed: no gate stays behind.
                with self._lock:
                    self._busy.pop(key, None)
                raise
            with self._lock:
                self._results[key] = result
                while len(self._results) > self._size:
                    self._results.popitem(last=False)
                self._busy.pop(key, None)
            return result


STORE = ResultStore(size=48)


def fingerprint(table: RunTable, *extra: object) -> str:
    """Hash everything on which a fit and its sentences depend, names included. Notes do not count."""
    digest = hashlib.sha256()
    canonical = table.in_canonical_order()
    for part in (canonical.coded, canonical.yields, canonical.extra_sd, canonical.failed):
        digest.update(part.tobytes())
    digest.update(repr((canonical.coded.shape, canonical.numbers, canonical.scatter)).encode())
    digest.update(repr(table.variables).encode())
    digest.update(repr(extra).encode())
    return digest.hexdigest()


def beside_mark(beside: Beside | None) -> str:
    """Fingerprint of evidence beside the runs; empty without any."""
    return "" if beside is None else fingerprint(beside.table, [sorted(on) for on in beside.in_canonical_order().rests_on])


def ladder_key(table: RunTable, beside: Beside | None = None) -> str:
    """Key under which the ladder of these runs is stored."""
    return fingerprint(table, "ladder", beside_mark(beside))


def fitted(table: RunTable, beside: Beside | None = None, report: Callable[[float, str], None] | None = None) -> Ladder:
    """Return the ladder of models for these runs, and evidence beside them."""

    def fit() -> Ladder:
        usual = usual_runs(table, beside)
        return fit_ladder(table, beside=beside, report=report, without_failures=usual and fitted(*usual))

    return STORE.get(ladder_key(table, beside), fit)


def usual_runs(table: RunTable, beside: Beside | None) -> tuple[RunTable, Beside | None] | None:
    """The runs that did not fail and what rests on them; None where all or none of them failed."""
    if not table.failed.any() or table.failed.all():
        return None
    return table.without_failures(), beside.without_failures(table) if beside is not None else None


def fitted_level(table: RunTable, beside: Beside | None = None) -> Ladder:
    """The same models without the expectation that yields fall off towards the ends of the ranges."""

    def fit() -> Ladder:
        known, usual = fitted(table, beside), usual_runs(table, beside)
        level = usual and fitted_level(*usual)
        return fit_ladder(table, losses=NO_END_LOSSES, beside=beside, trust=known.trust, known=known, without_failures=level)

    return STORE.get(fingerprint(table, "level ladder", beside_mark(beside)), fit)
