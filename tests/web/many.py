"""Many runs, put into the tables directly: what hundreds of posts would do, without their time."""

from typing import Any

import numpy as np
from fastapi.testclient import TestClient

from server.services.preparations import now
from server.storage import questions
from server.storage.engine import write_session
from server.storage.tables import RunRow, SettingRow


def insert_runs(client: TestClient, count: int, preparation_id: int = 1) -> None:
    """Add finished runs with random settings on the steps and a yield that follows the first variable."""
    app: Any = client.app
    rng = np.random.default_rng(5)
    with write_session(app.state.engine) as session:
        preparation = questions.get_preparation(session, preparation_id)
        variables = questions.list_variables(session, preparation_id)
        for _ in range(count):
            run = RunRow(
                preparation_id=preparation_id,
                number=questions.take_run_number(session, preparation),
                state="finished",
                created_at=now(),
            )
            session.add(run)
            session.flush()
            score = 0.0
            for k, v in enumerate(variables):
                place = float(rng.random())
                score += place if k == 0 else 0.0
                choice = v.choices[int(place * len(v.choices))] if v.choices else None
                step = v.step or 1.0
                number = None if v.choices else v.low + step * round(place * (v.high - v.low) / step)
                session.add(
                    SettingRow(
                        run_id=int(run.id or 0),
                        variable_id=int(v.id or 0),
                        planned_number=number,
                        planned_choice=choice,
                        as_run_number=number,
                        as_run_choice=choice,
                    )
                )
            run.entered_yield_percent = float(np.clip(50 + 25 * score + 2 * rng.standard_normal(), 0, 100))
        session.commit()
