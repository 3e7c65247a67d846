"""Variables and limits of a preparation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from pydantic import TypeAdapter, ValidationError
from starlette.responses import RedirectResponse, Response

from server.core.space.limits import Space
from server.core.space.units import TEMPERATURE_UNITS, TIME_UNITS
from server.core.space.variables import STAGE_WORDS, Role, Stage
from server.errors import InvalidInputError
from server.services.inputs import LimitInput, VariableInput, field_messages, validated
from server.services.runs import view_runs
from server.services.spaces import rule_of, space_of
from server.services.variables import (
    add_limit,
    add_variable,
    as_input,
    check_variable,
    delete_limit,
    delete_variable,
    move_variable_up,
    update_variable,
)
from server.storage import questions
from server.storage.tables import PreparationRow, VariableRow
from server.web.dependencies import Form, Id, ReadSession, WriteSession
from server.web.forms import FormState, RawForm, check_seen, leave_for, stamp, submit
from server.web.pages.common import Frame
from server.web.rendering import render

router = APIRouter()
_LIMIT: TypeAdapter[Any] = TypeAdapter(LimitInput)

ROLES = {
    Role.HOLD_TIME: "hold time",
    Role.TEMPERATURE: "temperature",
    Role.RATIO: "molar ratio",
    Role.LOADING: "loading (catalyst, acid)",
    Role.CONCENTRATION: "concentration",
    Role.VOLUME: "volume",
    Role.COUNT: "count (whole number)",
    Role.CHOICE: "choice between options",
    Role.OTHER: "other number",
}


@dataclass(frozen=True)
class SetupPage:
    """Context of the page of variables and limits."""

    frame: Frame
    space: Space
    rows: list[VariableRow]
    limits: list[tuple[int, str]]
    limit_form: FormState
    outside: list[int]
    roles: dict[Role, str]
    stages: dict[Stage, str]
    time_units: tuple[str, ...]


@dataclass(frozen=True)
class VariableFormPage:
    """Context of the form for a new or changed variable."""

    frame: Frame
    form: FormState
    row: VariableRow | None
    n_runs: int
    roles: dict[Role, str]
    stages: dict[Stage, str]
    units: tuple[str, ...]
    seen: str


def _setup(request: Request, session: ReadSession, preparation: PreparationRow) -> Callable[[FormState, int], Response]:
    def redraw(form: FormState, status: int) -> Response:
        assert preparation.id is not None
        rows = questions.list_variables(session, preparation.id)
        limits = questions.list_limits(session, preparation.id)
        space = space_of(rows, limits)
        by_key = {v.key: v for v in space.variables}
        named = []
        for limit in limits:
            rule = rule_of(limit, by_key)
            named.append((int(limit.id or 0), rule.text if rule else "names a variable that is gone"))
        finished = [r for r in view_runs(session, preparation) if r.counts]
        outside = [r.number for r in finished if space.broken_limits(r.settings)]
        page = SetupPage(Frame(preparation, "setup"), space, list(rows), named, form, outside, ROLES, STAGE_WORDS, TIME_UNITS)
        return render(request, "preparations/setup.html", page, status=status)

    return redraw


@router.get("/preparations/{preparation_id}/setup")
def show_setup(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    return _setup(request, session, questions.get_preparation(session, preparation_id))(FormState(), 200)


def _variable_form(
    request: Request, session: ReadSession, preparation: PreparationRow, row: VariableRow | None
) -> Callable[[FormState, int], Response]:
    # Of the row as the form was opened with it.
    seen = stamp(as_input(row)) if row else ""

    def redraw(form: FormState, status: int) -> Response:
        assert preparation.id is not None
        n_runs = len(questions.list_runs(session, preparation.id))
        units = (*TIME_UNITS, *TEMPERATURE_UNITS, "mol/mol", "mol%", "wt%", "mol/L", "mL", "µL", "mL/g", "g", "mg", "1/min")
        page = VariableFormPage(Frame(preparation, "setup"), form, row, n_runs, ROLES, STAGE_WORDS, units, seen)
        return render(request, "variables/form.html", page, status=status)

    return redraw


@router.get("/preparations/{preparation_id}/variables/new")
def new_variable(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)
    return _variable_form(request, session, preparation, None)(FormState({"role": "hold_time", "stage": "reaction"}), 200)


def _read_variable(session: ReadSession, preparation_id: int, form: RawForm, own_id: int | None = None) -> VariableInput:
    def check(readable: VariableInput) -> None:
        check_variable(session, preparation_id, readable, own_id)

    data: VariableInput = validated(VariableInput, form.typed(VariableInput), check, {"name": "unnamed", "role": Role.OTHER})
    return data


@router.post("/preparations/{preparation_id}/variables")
def create_variable(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        add_variable(session, preparation_id, _read_variable(session, preparation_id, form))
        return f"/preparations/{preparation_id}/setup"

    return submit(form, act, _variable_form(request, session, preparation, None))


@router.get("/variables/{variable_id}/edit")
def edit_variable(request: Request, variable_id: Id, session: ReadSession) -> Response:
    row = questions.get_variable(session, variable_id)
    preparation = questions.get_preparation(session, row.preparation_id)
    return _variable_form(request, session, preparation, row)(FormState.of(as_input(row)), 200)


@router.post("/variables/{variable_id}")
def change_variable(request: Request, variable_id: Id, form: Form, session: WriteSession) -> Response:
    row = questions.get_variable(session, variable_id)
    preparation = questions.get_preparation(session, row.preparation_id)

    redraw = _variable_form(request, session, preparation, row)

    def act() -> str:
        check_seen(form, as_input(row), row.name)
        update_variable(session, variable_id, _read_variable(session, row.preparation_id, form, variable_id))
        return f"/preparations/{preparation.id}/setup"

    return submit(form, act, redraw, lambda: FormState.of(as_input(row)))


@router.post("/variables/{variable_id}/up")
def put_variable_up(variable_id: Id, session: WriteSession) -> Response:
    row = move_variable_up(session, variable_id)
    return RedirectResponse(f"/preparations/{row.preparation_id}/setup#variable-{row.id}", status_code=303)


@router.post("/variables/{variable_id}/delete")
def remove_variable(request: Request, variable_id: Id, form: Form, session: WriteSession) -> Response:
    preparation = questions.get_preparation(session, questions.get_variable(session, variable_id).preparation_id)

    def act() -> str:
        return f"/preparations/{delete_variable(session, variable_id)}/setup"

    return submit(form, act, _setup(request, session, preparation), told=lambda: "The variable was removed.")


def _limit_input(form: RawForm) -> Any:
    """Read one of the small forms for limits."""
    kind = form.values.get("kind", "")
    raw: dict[str, Any] = {"kind": kind}
    if kind == "linear":
        typed = form.prefixed("coefficient_")
        raw["coefficients"] = {key: value for key, value in typed.items() if value.strip()}
        raw["bound"] = form.values.get("bound", "")
    elif kind == "total_time":
        raw.update(variables=form.all("variables"), bound=form.values.get("bound", ""), unit=form.values.get("unit", "h"))
    elif kind == "only_with":
        key, _, choice = form.values.get("option", "").partition("=")
        pairs = [value.partition("=") for value in form.all("partner_option")]
        partner_keys = {pair[0] for pair in pairs}
        if not choice or len(partner_keys) != 1:
            raise InvalidInputError({"only_with": "Choose one option, and what it goes with: options of one other variable."})
        raw.update(variable=key, choice=choice, partner=partner_keys.pop(), partners=[pair[2] for pair in pairs])
    elif kind == "option_range":
        key, _, choice = form.values.get("option", "").partition("=")
        raw.update(variable=key, choice=choice, partner=form.values.get("partner", ""), **form.only(["low", "high"]))
    elif kind == "not_used":
        pairs = [value.partition("=") for value in form.all("unused_option")]
        if len({pair[0] for pair in pairs}) != 1:
            raise InvalidInputError({"not_used": "Tick options of one variable."})
        raw.update(variable=pairs[0][0], options=[pair[2] for pair in pairs])
    try:
        return _LIMIT.validate_python(raw)
    except ValidationError as error:
        messages = field_messages(error)
        raise InvalidInputError({f"{kind}_{field}": text for field, text in messages.items()}) from error


@router.post("/preparations/{preparation_id}/limits")
def create_limit(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        try:
            add_limit(session, preparation_id, _limit_input(form))
        except InvalidInputError as error:
            kind = form.values.get("kind", "")
            named = {k if k.startswith(kind) else f"{kind}_{k}": v for k, v in error.messages.items()}
            raise InvalidInputError(named) from error
        return f"/preparations/{preparation_id}/setup#rules"

    return submit(form, act, _setup(request, session, preparation))


@router.post("/limits/{limit_id}/delete")
def remove_limit(limit_id: Id, session: WriteSession) -> Response:
    return leave_for(f"/preparations/{delete_limit(session, limit_id)}/setup#rules", "The rule was removed.")
