"""Starting a new preparation from another one."""

import pytest
from sqlmodel import Session

from server.paths import asset_folder
from server.services.analysis import analyse
from server.services.charges import make_charge
from server.services.demo import load_demo
from server.services.inputs import TotalTimeLimitInput
from server.services.preparations import duplicate_preparation
from server.services.variables import add_limit
from server.storage import questions


def test_a_copy_stands_on_its_own_and_has_no_runs(session: Session) -> None:
    load_demo(session, asset_folder("seed_runs"))
    source = analyse(session, 1)
    ids = {v.name: int(v.key) for v in source.space.variables}
    add_limit(session, 1, TotalTimeLimitInput(kind="total_time", variables=[ids["reflux hold"]], bound=4))
    copy = duplicate_preparation(session, 1)
    again = duplicate_preparation(session, 1)
    assert (copy.name, again.name) == ("Pear-drop ester, 2", "Pear-drop ester, 3")
    found = analyse(session, int(copy.id or 0))
    assert found.runs == []
    assert [v.name for v in found.space.variables] == [v.name for v in source.space.variables]
    assert not {v.key for v in found.space.variables} & {v.key for v in source.space.variables}
    # The limit is about the copy's own variable.
    (rule,) = found.space.rules
    assert rule.text == "reflux hold together at most 4 h"
    assert not found.space.is_reachable({**found.space.base, found.space.variables[0].key: 4.5})
    # A ratio of the copy drives the copy's materials.
    rows = questions.list_materials(session, int(copy.id or 0))
    ratio = next(v.key for v in found.space.variables if v.name == "acid to alcohol")
    charge = make_charge(copy, rows, {**found.space.base, ratio: 3.0}, 0.2)
    acid = next(line for line in charge.lines if line.material.name == "ethanoic acid")
    assert acid.moles == pytest.approx(0.6)
    assert copy.procedure == source.preparation.procedure
