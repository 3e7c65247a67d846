"""The charge: materials, scale, stock, drying agent, and the bench sheet of a run."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from server.core.chemistry.charge import AmountKind, ChargeLine, MaterialRole
from server.core.chemistry.drying import AGENTS, DryingAdvice, advise_drying
from server.core.chemistry.formula import smiles_available
from server.core.chemistry.weights import SOURCE
from server.core.model.effects import listed
from server.core.space.variables import STAGE_WORDS, THE_STAGE, Stage
from server.errors import InvalidInputError
from server.services.cautions import cautions_for
from server.services.charges import (
    DRIVING_ROLES,
    Charge,
    add_material,
    as_input,
    check_material,
    delete_material,
    make_charge,
    move_material_up,
    unit_factor,
    update_material,
)
from server.services.inputs import MaterialInput, messages_of, validated
from server.services.massbalance import chemistry_of
from server.services.numbers import NumberTextError, read_number, read_optional_number
from server.services.runs import RunView, renew_theories, view_run, view_runs, with_another_theory
from server.services.scales import SCALE_MODES, chosen_scale
from server.services.spaces import space_of, stored_space
from server.services.stages import order_of_work
from server.services.stock import Supply, supply_of
from server.services.vessels import scales_made, variables_of_amounts
from server.services.words import grows_with_scale, plain, rounded_down, setting_at_scale
from server.services.writeups import STAGE_TITLES
from server.storage import questions
from server.storage.tables import MaterialRow, PreparationRow
from server.web.dependencies import Form, Id, ReadSession, WriteSession
from server.web.forms import FormState, RawForm, check_seen, leave_for, stamp, submit
from server.web.pages.common import Frame
from server.web.rendering import render

router = APIRouter()

MATERIAL_ROLES = {
    MaterialRole.REAGENT: "reagent",
    MaterialRole.SOLVENT: "solvent",
    MaterialRole.CATALYST: "catalyst",
    MaterialRole.DRYING_AGENT: "drying agent",
    MaterialRole.WASH: "wash",
    MaterialRole.OTHER: "other",
}
AMOUNT_KINDS = {
    AmountKind.EQUIVALENTS: "equivalents: mol per mol",
    AmountKind.MOL_PERCENT: "mol% of the scale",
    AmountKind.MASS: "g at the base scale",
    AmountKind.VOLUME: "mL at the base scale",
    AmountKind.MASS_PERCENT: "wt% of the reference",
    AmountKind.VOLUME_PER_GRAM: "mL per g of the reference",
    AmountKind.CONCENTRATION: "mol/L: scale per L of this",
}


def read_count(typed: str) -> int:
    """Read a whole number of one or more.

    Raises
    ------
    NumberTextError
    """
    value = read_number(typed)
    if value < 1 or value % 1:
        raise NumberTextError(f"Enter a whole number of 1 or more; this is {value:g}.")
    return int(value)


@dataclass(frozen=True)
class ChargePage:
    """Context of the charge page."""

    frame: Frame
    rows: list[MaterialRow]
    charge: Charge | None
    form: FormState
    modes: dict[str, str]
    planned_runs: int | None
    scale_for_planned: float | None
    weights_source: str
    agent_options: list[tuple[str, str]]
    drying: DryingAdvice | None
    drying_form: FormState
    other_theory: str
    # What runs that are planned need beyond what is left.
    short: str
    others_left: str


# Units in which stock and packs may be typed. [g, or mL where they are volumes]
GRAMS_IN = {"g": 1.0, "kg": 1000.0, "mL": 1.0, "L": 1000.0}


@dataclass(frozen=True)
class MaterialFormPage:
    """Context of the form for a material."""

    frame: Frame
    form: FormState
    row: MaterialRow | None
    roles: dict[MaterialRole, str]
    kinds: dict[AmountKind, str]
    number_options: list[tuple[int | None, str]]
    choice_options: list[tuple[int | None, str]]
    count_options: list[tuple[int | None, str]]
    smiles: bool
    stock_words: str
    seen: str
    units: list[tuple[str, str]]
    interims: list[tuple[str, str]]


@dataclass(frozen=True)
class BenchSheetPage:
    """Context of the bench sheet; ``stages`` pairs each stage with its settings and checkpoints to record."""

    frame: Frame
    run: RunView
    charge: Charge | None
    lines: list[tuple[ChargeLine, float | None]]
    stages: list[tuple[str, list[tuple[str, str]]]]
    limits: list[str]
    cautions: list[str] = field(default_factory=list)
    procedure: list[tuple[str, str]] = field(default_factory=list)
    prints_procedure: bool = False
    # Where an intermediate is weighed for which something is taken, in words.
    interims: list[str] = field(default_factory=list)


def _charge_page(request: Request, session: ReadSession, preparation: PreparationRow) -> Callable[..., Response]:
    def redraw(
        form: FormState, status: int, drying: DryingAdvice | None = None, drying_form: FormState | None = None
    ) -> Response:
        assert preparation.id is not None
        rows = questions.list_materials(session, preparation.id)
        runs = view_runs(session, preparation)
        space = space_of(questions.list_variables(session, preparation.id), [])
        charge, planned, fits, short, others_left = None, None, None, "", ""
        errors = dict(form.errors)
        if rows:
            supply = supply_of(session, preparation, runs)

            def at(values: Mapping[str, str]) -> Charge:
                return make_charge(
                    preparation, rows, space.base, chosen_scale(preparation, rows, space.base, values), supply.free_g
                )

            try:
                charge = at(form.values)
                planned_text = form.value("planned_runs")
                if planned_text:
                    planned = read_count(planned_text)
                    most = charge.scale_for_runs(planned)
                    fits = rounded_down(most) if most else most
            except InvalidInputError as error:
                errors.update(error.messages)
                # What was typed is no scale: the base recipe stands there as before.
                with suppress(InvalidInputError):
                    charge = at({})
            except NumberTextError as error:
                errors["planned_runs"] = str(error)
            if charge is not None:
                short, others_left = supply.short_words, _left_of_others(supply, charge)
            if errors and status == 200:
                status = 422
        shown = replace(form, errors=errors)
        page = ChargePage(
            Frame(preparation, "charge"),
            list(rows),
            charge,
            shown,
            SCALE_MODES,
            planned,
            fits,
            SOURCE,
            [(name, name) for name in AGENTS],
            drying,
            drying_form or FormState({"excess": "3"}),
            listed([str(r.number) for r in with_another_theory(session, preparation, runs)]),
            short,
            others_left,
        )
        return render(request, "charge/show.html", page, status=status)

    return redraw


def _left_of_others(supply: Supply, charge: Charge) -> str:
    """What is left of the materials that were counted and that the charge does not take; empty where there are none."""
    taken = {line.material.key for line in charge.lines}
    others = [(m.name, supply.left[key]) for m in supply.materials if (key := str(m.id)) in supply.left and key not in taken]
    return listed([f"{name} {plain(one.free_g)} g" for name, one in others])


@router.post("/preparations/{preparation_id}/renew-theory")
def renew(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        renew_theories(session, preparation_id)
        return f"/preparations/{preparation_id}#runs"

    return submit(form, act, _charge_page(request, session, preparation))


@router.get("/preparations/{preparation_id}/charge")
def show_charge(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)
    query = dict(request.query_params)
    redraw = _charge_page(request, session, preparation)
    if "agent" in query:
        drying_form = FormState(query)
        messages, numbers = {}, {"water_g": 0.0, "excess": 0.0}
        for field, usual in (("water_g", ""), ("excess", "3")):
            try:
                numbers[field] = read_number(query.get(field, usual))
            except NumberTextError as error:
                messages[field] = str(error)
        if messages:
            return redraw(FormState(), 422, None, FormState(query, messages))
        try:
            return redraw(FormState(), 200, advise_drying(query["agent"], **numbers), drying_form)
        except InvalidInputError as error:
            return redraw(FormState(), 422, None, FormState(query, error.messages))
    return redraw(FormState(query), 200)


def _stock_words(session: ReadSession, preparation: PreparationRow, row: MaterialRow | None) -> str:
    """The hint at the stock of a material: what runs have taken since it was counted."""
    words = "As it is today; runs made from now on are taken off. A solution needs its density for it."
    if row is None or row.stock_g is None or row.stock_at is None:
        return words
    one = supply_of(session, preparation, view_runs(session, preparation)).left[str(row.id)]
    if one.taken_g > one.counted_g:
        return (
            f"Counted on {row.stock_at.astimezone().date()}; runs since then took {plain(one.taken_g - one.counted_g)} g more "
            "than that. Count again, and enter what is there."
        )
    taken = (
        f"runs since then took {plain(one.taken_g)} g, planned ones will take {plain(one.reserved_g)} g, "
        f"{plain(one.free_g)} g are free"
    )
    return f"Counted on {row.stock_at.astimezone().date()}; {taken}. Enter it anew, or tick the box, when you count again."


def _material_form(
    request: Request, session: ReadSession, preparation: PreparationRow, row: MaterialRow | None
) -> Callable[[FormState, int], Response]:
    # Of the row as the form was opened with it.
    seen = stamp(as_input(row)) if row else ""

    def redraw(form: FormState, status: int) -> Response:
        assert preparation.id is not None
        variables = questions.list_variables(session, preparation.id)
        page = MaterialFormPage(
            Frame(preparation, "charge"),
            form,
            row,
            MATERIAL_ROLES,
            AMOUNT_KINDS,
            [(v.id, v.name) for v in variables if v.role in DRIVING_ROLES or (row and v.id == row.ratio_variable_id)],
            [(v.id, v.name) for v in variables if v.role == "choice"],
            [(v.id, v.name) for v in variables if v.role == "count"],
            smiles_available(),
            _stock_words(session, preparation, row),
            seen,
            [(unit, unit) for unit in GRAMS_IN],
            [(stage.value, f"after {words}") for stage, words in THE_STAGE.items() if stage != Stage.DRYING],
        )
        return render(request, "materials/form.html", page, status=status)

    return redraw


@router.get("/preparations/{preparation_id}/materials/new")
def new_material(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)
    values = {
        "role": "reagent",
        "amount_kind": "equivalents",
        "amount": "1",
        "ratio_factor": "1",
        "coefficient": "1",
        "purity_percent": "100",
        "water_percent": "0",
    }
    return _material_form(request, session, preparation, None)(FormState(values), 200)


def _in_grams(form: RawForm) -> dict[str, str]:
    """Stock and price as they are kept, in g and per g, from the units in which they were typed.

    What cannot be read stays as it was typed, for the check that follows.

    Raises
    ------
    InvalidInputError
        For volumes without a density, and for a pack that has no size.
    """

    def readable(field: str) -> float | None:
        with suppress(NumberTextError):
            return read_optional_number(form.values.get(field, ""))
        return None

    density = readable("density_g_per_ml")
    messages: dict[str, str] = {}
    pack: float | None = None
    try:
        pack = read_optional_number(form.values.get("price_pack", ""))
    except NumberTextError as error:
        messages["price_pack"] = str(error)
    if pack is not None and pack <= 0:
        messages["price_pack"] = "Enter the size of the pack, above 0."
    kept = {}
    for name, unit in (("stock_g", form.values.get("stock_unit")), ("price_per_g", form.values.get("price_unit"))):
        value = readable(name)
        if value is None or unit not in GRAMS_IN or messages:
            continue
        if unit in ("mL", "L") and not (density is not None and density > 0):
            messages["density_g_per_ml"] = "Enter the density too: stock and prices are kept by mass."
            continue
        factor = GRAMS_IN[unit] * (density if unit in ("mL", "L") and density else 1.0)
        if name == "price_per_g":
            factor = 1.0 / (factor * (pack or 1.0))
        if factor != 1.0:
            kept[name] = f"{value * factor:.10g}"
    if messages:
        raise InvalidInputError(messages)
    return kept


def _amount_by_variable(session: ReadSession, preparation_id: int, typed: Mapping[str, str]) -> dict[str, str]:
    """The amount of the base recipe where a variable was chosen instead of a number, which is then left empty."""
    if typed.get("amount", "").strip():
        return {}
    chosen = [v for v in questions.list_variables(session, preparation_id) if str(v.id) == typed.get("ratio_variable_id")]
    times: float | None = None
    with suppress(NumberTextError):
        times = read_optional_number(typed.get("ratio_factor", "")) or 1.0
    if not chosen or chosen[0].base_number is None or times is None:
        return {}
    with suppress(KeyError, ValueError):
        # Where the variable cannot set such an amount, the form says so.
        times *= unit_factor(AmountKind(typed.get("amount_kind", "")), chosen[0].unit)
    return {"amount": f"{chosen[0].base_number * times:.12g}"}


def _read_material(session: ReadSession, preparation_id: int, form: RawForm, own_id: int | None = None) -> MaterialInput:
    # What stands for numbers that cannot be read keeps others from being called missing.
    stand_in = {"name": "unnamed", "role": MaterialRole.OTHER, "molar_mass": 1.0, "concentration_mol_per_l": 1.0}

    def check(readable: MaterialInput) -> None:
        check_material(session, preparation_id, readable, own_id)

    typed = form.typed(MaterialInput)
    typed.update(_amount_by_variable(session, preparation_id, typed))
    try:
        data: MaterialInput = validated(MaterialInput, {**typed, **_in_grams(form)}, check, stand_in)
    except InvalidInputError as error:
        more = messages_of(lambda: validated(MaterialInput, typed, check, stand_in))
        raise InvalidInputError({**more, **error.messages}) from error
    return data


@router.post("/preparations/{preparation_id}/materials")
def create_material(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        add_material(session, preparation_id, _read_material(session, preparation_id, form))
        return f"/preparations/{preparation_id}/charge"

    return submit(form, act, _material_form(request, session, preparation, None))


@router.get("/materials/{material_id}/edit")
def edit_material(request: Request, material_id: Id, session: ReadSession) -> Response:
    row = questions.get_material(session, material_id)
    preparation = questions.get_preparation(session, row.preparation_id)
    return _material_form(request, session, preparation, row)(FormState.of(as_input(row)), 200)


@router.post("/materials/{material_id}")
def change_material(request: Request, material_id: Id, form: Form, session: WriteSession) -> Response:
    row = questions.get_material(session, material_id)
    preparation = questions.get_preparation(session, row.preparation_id)

    redraw = _material_form(request, session, preparation, row)

    def act() -> str:
        check_seen(form, as_input(row), row.name)
        update_material(session, material_id, _read_material(session, row.preparation_id, form, material_id))
        return f"/preparations/{preparation.id}/charge"

    return submit(form, act, redraw, lambda: FormState.of(as_input(row)))


@router.post("/materials/{material_id}/delete")
def remove_material(material_id: Id, session: WriteSession) -> Response:
    return leave_for(f"/preparations/{delete_material(session, material_id)}/charge", "The material was removed.")


@router.post("/materials/{material_id}/up")
def put_material_up(material_id: Id, session: WriteSession) -> Response:
    row = move_material_up(session, material_id)
    return RedirectResponse(f"/preparations/{row.preparation_id}/charge#material-{row.id}", status_code=303)


@router.get("/runs/{run_id}/bench-sheet")
def show_bench_sheet(request: Request, run_id: Id, session: ReadSession, procedure: str = "") -> Response:
    preparation, run = view_run(session, run_id)
    assert preparation.id is not None
    rows = questions.list_materials(session, preparation.id)
    space = stored_space(session, preparation.id)
    scale = run.row.scale_mol or preparation.base_scale_mol
    charge = chemistry_of(session, preparation, run).planned
    driving = variables_of_amounts(rows)
    is_other_scale = bool(scale and preparation.base_scale_mol and not math.isclose(scale, preparation.base_scale_mol))
    stages = []
    order = order_of_work(session, preparation).stages
    for stage in order:
        inside = [
            (v.name, setting_at_scale(v, run.planned[v.key], scale, preparation.base_scale_mol, driving))
            for v in space.variables
            if v.stage is stage
        ]
        if inside:
            stages.append((STAGE_WORDS[stage], inside))
    made = scales_made(preparation, view_runs(session, preparation))
    cautions = cautions_for(preparation, rows, space, run.planned, scale, made)
    limits = [
        f"{v.name}: {v.hard_low if v.hard_low is not None else v.low:g} to "
        f"{v.hard_high if v.hard_high is not None else v.high:g} {v.unit}".rstrip()
        + (" at the base scale" if is_other_scale and grows_with_scale(v, driving) else "")
        for v in space.variables
        if not v.is_choice
    ]
    limits.extend(rule.text for rule in space.rules)
    lines = [(line, charge.rounded_g.get(line.material.key)) for line in charge.lines] if charge else []
    texts = [(STAGE_TITLES[stage], str(text)) for stage in order if (text := (preparation.procedure or {}).get(stage.value))]
    followed = {line.material.taken_after for line, _ in lines}
    interims = [THE_STAGE[stage] for stage in order if stage.value in followed]
    page = BenchSheetPage(
        Frame(preparation, "overview"), run, charge, lines, stages, limits, cautions, texts, procedure == "true", interims
    )
    return render(request, "runs/bench_sheet.html", page)
