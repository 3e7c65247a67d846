"""The simulated preparations leave something to find, and their yields are yields."""

import numpy as np
import pytest

from server.core.choose.search import draw_reachable
from server.core.space.limits import reach_of
from tests.bench.preparations import Preparation
from tests.bench.sample_efficiency import ALL, COLLECTIONS, kinds_of

MADE = [make() for make in ALL]


@pytest.mark.parametrize("preparation", MADE, ids=[p.name for p in MADE])
def test_yields_lie_between_0_and_100_and_beat_the_base_recipe_somewhere(preparation: Preparation) -> None:
    reach = reach_of(preparation.space)
    assert preparation.space.is_reachable(preparation.space.base)
    pool = draw_reachable(reach, 400, np.random.default_rng(3))
    yields = np.array([preparation.truth(reach.settings(list(row))) for row in pool])
    assert np.all(np.isfinite(yields))
    assert yields.min() >= 0.0
    assert yields.max() <= 100.0
    at_base = preparation.truth(preparation.space.base)
    assert at_base >= 10.0
    assert yields.max() >= at_base + 5.0


def test_collections_are_kept_apart() -> None:
    assert [ALL[k] for name in COLLECTIONS for k in kinds_of(name)] == list(ALL)
    assert len({p.name for p in MADE}) == len(MADE)
