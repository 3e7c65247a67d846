"""Makers of small preparations for tests."""

from __future__ import annotations

from typing import Any

from sqlmodel import Session

from server.core.space.variables import Role, Stage, Variable
from server.services.inputs import FinishedRunInput, PreparationInput, VariableInput
from server.services.preparations import create_preparation
from server.services.runs import record_run
from server.services.variables import add_variable
from server.storage.tables import PreparationRow, RunRow


def hold(unit: str = "h", low: float = 0.5, high: float = 6.0, step: float | None = 0.5, base: float = 2.0) -> Variable:
    return Variable("hold", "hold", Role.HOLD_TIME, unit, low, high, step, base)


def bath(unit: str = "°C", low: float = 100.0, high: float = 150.0, step: float | None = 5.0, base: float = 120.0) -> Variable:
    return Variable("bath", "bath", Role.TEMPERATURE, unit, low, high, step, base)


def agent(*choices: str) -> Variable:
    return Variable("agent", "agent", Role.CHOICE, choices=choices, base=choices[0], stage=Stage.DRYING)


def make_preparation(session: Session, name: str = "Ester", **more: Any) -> PreparationRow:
    """A preparation with a hold time, a bath temperature and a drying agent."""
    row = create_preparation(session, PreparationInput(name=name, theoretical_yield_g=10.0, **more))
    key = int(row.id or 0)
    add_variable(session, key, VariableInput(name="hold", role=Role.HOLD_TIME, unit="h", low=0.5, high=6, step=0.5, base=2))
    add_variable(session, key, VariableInput(name="bath", role=Role.TEMPERATURE, unit="°C", low=100, high=150, step=5, base=120))
    add_variable(
        session,
        key,
        VariableInput(name="agent", role=Role.CHOICE, stage=Stage.DRYING, choices=["MgSO4", "Na2SO4"], base="MgSO4"),
    )
    return row


def make_run(session: Session, preparation: PreparationRow, percent: float | None = 70.0, **more: Any) -> RunRow:
    """A finished run; settings may be overridden by name."""
    settings = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4", **more.pop("settings", {})}
    data = FinishedRunInput(settings=settings, yield_percent=percent, **more)
    return record_run(session, int(preparation.id or 0), data)
