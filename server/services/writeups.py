"""The write-up: the recipe as a document that someone else can follow, and versions of it that later runs leave alone."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlmodel import Session

from server.core.model.effects import Evidence
from server.core.space.variables import STAGE_WORDS, Stage
from server.errors import InvalidInputError, NotReadyError
from server.services.analysis import Analysis
from server.services.cautions import cautions_for
from server.services.charges import make_charge, options_without_material
from server.services.decisions import Decisions
from server.services.inputs import ProcedureInput
from server.services.preparations import log_change, now, today
from server.services.scales import check_scale
from server.services.vessels import scales_made, variables_of_amounts
from server.services.words import (
    OUTCOME_LABELS,
    mass_text,
    plain,
    portions_text,
    setting_at_scale,
    setting_text,
    window_text,
    window_words,
)
from server.storage import questions
from server.storage.tables import PreparationRow, WriteUpRow

STAGE_TITLES = {stage: words.capitalize() for stage, words in STAGE_WORDS.items()}
# A write-up says what it is made from; this is raised when its form changes.
FORM = 1

Content = dict[str, Any]


def stored_procedure(preparation: PreparationRow) -> ProcedureInput:
    """The procedure as the input that would store it."""
    return ProcedureInput(stages={key: str(text) for key, text in (preparation.procedure or {}).items()})


def set_procedure(session: Session, preparation_id: int, data: ProcedureInput) -> PreparationRow:
    """Keep what is done in each stage, in the chemist's words.

    Raises
    ------
    NotFoundError
    InvalidInputError
        For a stage that does not exist.
    """
    row = questions.get_preparation(session, preparation_id)
    unknown = set(data.stages) - {s.value for s in Stage}
    if unknown:
        raise InvalidInputError({"stages": "Choose stages that exist."})
    before = dict(row.procedure or {})
    row.procedure = {key: text for key, text in data.stages.items() if text}
    if row.procedure != before:
        log_change(session, preparation_id, "procedure changed", before=before, after=row.procedure)
    session.add(row)
    session.commit()
    return row


def compose(session: Session, analysis: Analysis, scale_mol: float | None = None) -> Content:
    """Put the write-up together from what is known today.

    Parameters
    ----------
    scale_mol : float or None
        The base scale where None.

    Returns
    -------
    content : dict
        Plain data (text, numbers, lists), so that it can be stored and shown again as it was.

    Raises
    ------
    NotReadyError
        Before there is a working recipe.
    InvalidInputError
        For a scale that cannot be.
    """
    check_scale(scale_mol)
    working = analysis.working
    if working is None:
        raise NotReadyError(
            "A write-up needs a working recipe: enter at least one run inside the limits that gave product.", have=0, need=1
        )
    preparation = analysis.preparation
    decisions = Decisions(analysis)
    window = decisions.window()
    assert window is not None
    windows = {w.variable.key: window_text(w) for w in window.variables}
    forecast = working.forecast
    materials = _materials(analysis, decisions, scale_mol)
    made = scales_made(preparation, analysis.counting)
    return {
        "form": FORM,
        "title": preparation.name,
        "made_at": today().isoformat(),
        "product": preparation.product_name,
        "aim_percent": preparation.aim_percent,
        "literature_percent": preparation.literature_percent,
        "notes": preparation.notes,
        "references": [line for line in preparation.literature_references.splitlines() if line.strip()],
        **materials,
        "stages": _stages(analysis, windows, scale_mol, materials["theory_g"], variables_of_amounts(decisions.materials)),
        "procedure_note": _procedure_note(preparation, scale_mol),
        "allowed_loss": window.allowed_loss,
        "window_percent": round(100 * window.probability, 1),
        "expected": {
            "mean": round(forecast.mean, 4),
            "low_50": round(forecast.low_50, 4),
            "high_50": round(forecast.high_50, 4),
            "low_90": round(forecast.low_90, 4),
            "high_90": round(forecast.high_90, 4),
            "clipped": forecast.clipped,
            "remark": decisions.scale_remark(scale_mol),
        },
        "gave": _gave(analysis),
        "working_run": working.run_number,
        "n_runs": analysis.table.n_runs,
        "repeatability": analysis.repeatability_sentence,
        "findings": [*_gaps(analysis, decisions), *_findings(analysis)],
        "runs": _runs(analysis),
        "variables": [v.name for v in analysis.space.variables],
        "cautions": cautions_for(preparation, decisions.materials, analysis.space, working.settings, scale_mol, made),
    }


def _materials(analysis: Analysis, decisions: Decisions, scale_mol: float | None) -> Content:
    preparation, working = analysis.preparation, analysis.working
    assert working is not None
    scale = scale_mol or preparation.base_scale_mol
    if not scale or not decisions.materials:
        return {"scale_mol": None, "materials": [], "theory_g": None, "limiting": "", "interims": []}
    charge = make_charge(preparation, decisions.materials, working.settings, scale)
    rows = {str(m.id): m for m in decisions.materials}
    lines = [
        {
            "name": f"{line.material.name} ({portions})" if (portions := portions_text(line)) else line.material.name,
            "role": line.material.role.value.replace("_", " "),
            "formula": rows[line.material.key].formula,
            "molar_mass": rows[line.material.key].molar_mass,
            "mmol": None if line.moles is None else float(f"{1000 * line.moles:.4g}"),
            "mass_g": charge.rounded_g.get(line.material.key),
            "volume_ml": None if line.volume_ml is None else float(f"{line.volume_ml:.4g}"),
            "purity_percent": rows[line.material.key].purity_percent,
            "water_percent": rows[line.material.key].water_percent,
            "concentration_mol_per_l": rows[line.material.key].concentration_mol_per_l,
        }
        for line in charge.lines
    ]
    return {
        "scale_mol": scale,
        "readability_g": preparation.balance_readability_g,
        "materials": lines,
        "theory_g": round(charge.theory.mass_g, 4) if charge.theory else None,
        "limiting": charge.theory.limiting.name if charge.theory else "",
        "interims": list(charge.interim_words),
    }


def _procedure_note(preparation: PreparationRow, scale_mol: float | None) -> str:
    """What the words of the procedure do not know: another scale than that for which they were written."""
    base = preparation.base_scale_mol
    if not preparation.procedure or not scale_mol or not base or math.isclose(scale_mol, base):
        return ""
    return f"The words below were written for {base:g} mol: amounts in them do not grow with the scale, nor does the cooling."


def _left_words(analysis: Analysis, stage: Stage, theory_g: float | None) -> str:
    """What was left of theory at the end of a stage in the runs with the settings of the recipe; empty where none was weighed."""
    assert analysis.working is not None
    alike = {r.number for r in analysis.counting if dict(r.settings) == analysis.working.settings}
    # What gained product on the way was wet, or its content is not right.
    found = [w for w in analysis.ways.ways if w.number in alike and stage in w.left and not w.gains]
    left = [w.left[stage] for w in found]
    if not left:
        return ""
    low, high = f"{min(left):.0f}", f"{max(left):.0f}"
    runs = "One run" if len(left) == 1 else f"{len(left)} runs"
    words = f"{runs} with these settings held {low if low == high else f'{low} to {high}'} % of theory at the end of this stage"
    weighed = {analysis.ways.intermediates.get((w.number, stage), ("product", 1.0)) for w in found}
    if not theory_g or len(weighed) > 1:
        return f"{words}."
    # What is on the balance then, which need not be the product yet.
    ((what, share),) = weighed
    return f"{words}, {plain(theory_g * sum(left) / len(left) / 100 / share, 3)} g of {what} at this scale."


def _stages(
    analysis: Analysis, windows: Mapping[str, str], scale_mol: float | None, theory_g: float | None, driving: Collection[str]
) -> list[Content]:
    assert analysis.working is not None
    settings = analysis.working.settings
    texts = analysis.preparation.procedure or {}
    out = []
    for stage in analysis.ways.order.stages:
        inside = [v for v in analysis.space.variables if v.stage is stage]
        text = str(texts.get(stage.value, ""))
        left = _left_words(analysis, stage, theory_g)
        if inside or text or left:
            base = analysis.preparation.base_scale_mol
            rows = []
            for v in inside:
                shown, window = setting_at_scale(v, settings[v.key], scale_mol, base, driving), windows[v.key]
                if shown != setting_text(v, settings[v.key]):
                    window += " at the base scale"
                rows.append({"name": v.name, "setting": shown, "window": window})
            out.append({"title": STAGE_TITLES[stage], "text": text, "settings": rows, "left": left})
    return out


def _gaps(analysis: Analysis, decisions: Decisions) -> list[str]:
    """What the write-up lacks: materials of options that the recipe takes, and a yield that can be believed."""
    assert analysis.working is not None
    settings, number = analysis.working.settings, analysis.working.run_number
    found = [f"No material is entered for “{option}”." for option in options_without_material(decisions.materials, settings)]
    run = next(r for r in analysis.counting if r.number == number)
    if run.is_too_high:
        found.append(
            f"Run {number} gave {run.percent:.1f} %, which cannot have been all product: dry it, or measure its purity, "
            "before anyone relies on this yield."
        )
    return found


def _findings(analysis: Analysis) -> list[str]:
    try:
        # The sentences themselves say what cannot be told; the others are led by their evidence.
        plain = (Evidence.CANNOT_TELL, Evidence.NEVER_MOVED, Evidence.TOO_FEW_RUNS)
        return [e.sentence if e.evidence in plain else f"{e.evidence}: {e.sentence}" for e in analysis.effects]
    except NotReadyError as error:
        return [str(error)]


def _gave(analysis: Analysis) -> list[Content]:
    """What came out of the counting runs that had the settings of the recipe."""
    assert analysis.working is not None
    return [
        {
            "number": r.number,
            "scale_mol": r.row.scale_mol,
            "mass_g": r.row.product_mass_g,
            "purity_percent": r.row.purity_percent,
            "residual_percent": r.row.residual_percent,
            "counts_as_exact": r.row.purity_u_percent is None and r.row.entered_yield_percent is None,
            "percent": round(r.run_yield.percent, 1),
            "u": float(f"{r.run_yield.u:.2g}"),
            "theory_g": r.theory_g if r.row.product_mass_g is not None else None,
        }
        for r in analysis.counting
        if dict(r.settings) == analysis.working.settings and r.run_yield is not None
    ]


def _runs(analysis: Analysis) -> list[Content]:
    out = []
    for run in analysis.runs:
        if run.row.state != "finished":
            continue
        words = OUTCOME_LABELS.get(run.row.outcome, "")
        excluded = f"excluded: {run.row.excluded_reason}" if run.row.excluded_reason else ""
        state = ", ".join(filter(None, [words, excluded]))
        out.append(
            {
                "number": run.number,
                "percent": None if run.percent is None or run.row.outcome == "no_information" else round(run.percent, 1),
                "state": state,
                "settings": [setting_text(v, run.settings[v.key]) for v in analysis.space.variables],
            }
        )
    return out


def store_version(session: Session, preparation_id: int, content: Content) -> WriteUpRow:
    """Store a composed write-up as the next version.

    Raises
    ------
    NotFoundError
        If the preparation was deleted while the write-up was composed.
    """
    questions.get_preparation(session, preparation_id)
    versions = questions.list_write_ups(session, preparation_id)
    number = 1 + max((w.version for w in versions), default=0)
    row = WriteUpRow(preparation_id=preparation_id, version=number, made_at=now(), content=content)
    session.add(row)
    log_change(session, preparation_id, f"write-up, version {row.version}, kept")
    session.commit()
    return row


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} %"


def expected_sentence(content: Content) -> str:
    """The expected yield in words."""
    e = content["expected"]
    cut = " The range was cut at 0 or 100 %." if e["clipped"] else ""
    return (
        f"{e['mean']:.0f} % expected; half of such runs between {e['low_50']:.0f} and {e['high_50']:.0f} %, "
        f"nine in ten between {e['low_90']:.0f} and {e['high_90']:.0f} %.{cut} {e.get('remark', '')}".rstrip()
    )


def gave_sentences(content: Content) -> list[str]:
    """What the runs with these settings gave, one sentence each; versions that were kept earlier say nothing of it."""
    out = []
    for run in content.get("gave", ()):
        scale = f" at {plain(run['scale_mol'])} mol" if run["scale_mol"] else ""
        mass = f"{plain(run['mass_g'], 5)} g of product, " if run["mass_g"] is not None else ""
        if run["purity_percent"] is not None:
            purity = f"{run['purity_percent']:g} % pure, "
        else:
            purity = "counted as pure, " if mass else ""
        residual = f"with {run['residual_percent']:g} % solvent and water, " if run.get("residual_percent") else ""
        exact = ", the purity taken as exact" if run.get("counts_as_exact") else ""
        spread = f" ± {plain(run['u'])} points (standard uncertainty{exact})" if run["u"] else ""
        # Its own, which a later correction of the charge or the product leaves alone.
        theory = f" of a theoretical {plain(run['theory_g'])} g" if run.get("theory_g") else ""
        gave = f"Run {run['number']}{scale} gave {mass}{purity}{residual}a yield of {run['percent']:.1f} %{spread}"
        out.append(f"{gave}{_pure_words(run)}{theory}.")
    return out


def _pure_words(run: Mapping[str, Any]) -> str:
    """How much product a weighed mass holds, unless that is all of it: of an assayed solution the mass alone says nothing."""
    purity, residual = run["purity_percent"], run.get("residual_percent") or 0.0
    content = (100.0 if purity is None else purity) * (1.0 - residual / 100.0)
    return "" if run["mass_g"] is None or content == 100.0 else f": {plain(run['mass_g'] * content / 100.0, 4)} g pure and dry"


def scope_sentence(content: Content) -> str:
    """What the document is about, in one or two sentences."""
    parts = [f"Preparation of {content['product']}." if content["product"] else f"Recipe for {content['title']}."]
    if content["aim_percent"]:
        parts.append(f"The aim was {content['aim_percent']:g} %.")
    if content["literature_percent"]:
        parts.append(f"The literature gives {content['literature_percent']:g} %.")
    return " ".join(parts)


def window_sentence(content: Content) -> str:
    """What the ranges beside the settings mean."""
    windows = [s["window"].removesuffix(" at the base scale") for stage in content["stages"] for s in stage["settings"]]
    return window_words(windows, float(content["allowed_loss"]), float(content["window_percent"]))


def found_sentence(content: Content) -> str:
    """How the recipe was found."""
    n = content["n_runs"]
    return (
        f"From {n} run{' that counts' if n == 1 else 's that count'}; the settings are those of run {content['working_run']}. "
        f"{content['repeatability']}"
    )


def _cell(text: object) -> str:
    """Text that Markdown leaves as it is: nothing in it becomes a heading, a list, a rule, emphasis or HTML."""
    one_line = " ".join(str(text).split("\n")).strip().replace("&", "&amp;").replace("<", "&lt;")
    escaped = re.sub(r"([\\\\|\[\]`*~])|(?<!\w)(_)|(_)(?!\w)", lambda m: f"\\{m[0]}", one_line)
    return re.sub(r"^(\s*)(?:([#>+=-])|(\d+)([.)])(?=\s))", lambda m: f"{m[1]}{m[3] or ''}\\{m[2] or m[4]}", escaped)


def _table(header: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    lines = ["| " + " | ".join(_cell(h) for h in header) + " |", "|" + " --- |" * len(header)]
    lines += ["| " + " | ".join(_cell(c) for c in row) + " |" for row in rows]
    return [*lines, ""]


def _content_of(line: Mapping[str, Any]) -> str:
    """What of a material is the compound; versions that were kept earlier say nothing of water and solutions."""
    if line.get("concentration_mol_per_l"):
        return f"{line['concentration_mol_per_l']:g} mol/L"
    if not line["formula"] and not line.get("molar_mass"):
        return "–"
    water = f", {line['water_percent']:g} % water in it" if line.get("water_percent") else ""
    return f"{line['purity_percent']:g} %{' (dry)' if water else ''}{water}"


def material_cells(line: Mapping[str, Any], readability: float | None = None) -> list[str]:
    """One line of the materials table as text: name, role, formula, mmol, mass, volume, content.

    Parameters
    ----------
    readability : float or None
        That of the balance [g]; versions that were kept earlier say nothing of it.
    """

    def number(value: float | None, unit: str) -> str:
        return "–" if value is None else f"{value:.10g} {unit}"

    return [
        str(line["name"]),
        str(line["role"]),
        str(line["formula"]) or (f"M {line['molar_mass']:g} g/mol" if line.get("molar_mass") else "–"),
        number(line["mmol"], "mmol"),
        f"{mass_text(line['mass_g'], readability)} g"
        if readability and line["mass_g"] is not None
        else number(line["mass_g"], "g"),
        number(line["volume_ml"], "mL"),
        _content_of(line),
    ]


MATERIAL_HEADER = ("Material", "Role", "Formula", "Amount", "Mass", "Volume", "Content")


def as_markdown(content: Content, version: int | None) -> str:
    """The write-up as Markdown (CommonMark with pipe tables)."""
    what = f"Version {version}" if version else "Draft"
    lines = [
        f"# {_cell(content['title'])}",
        "",
        f"{what}, {content['made_at']}",
        "",
        "## Scope and aim",
        "",
        _cell(scope_sentence(content)),
        "",
    ]
    if content["notes"]:
        lines += [_cell(content["notes"]), ""]
    lines += ["## Cautions", "", *[f"- {_cell(c)}" for c in content["cautions"]], ""]
    if content["materials"]:
        lines += ["## Materials", "", f"Scale: {plain(content['scale_mol'], 6)} mol.", ""]
        lines += _table(MATERIAL_HEADER, [material_cells(m, content.get("readability_g")) for m in content["materials"]])
        if content["theory_g"]:
            lines += [f"Theoretical yield {plain(content['theory_g'])} g; {_cell(content['limiting'])} limits.", ""]
        # Versions that were kept earlier say nothing of it.
        lines += [line for words in content.get("interims", ()) for line in (_cell(words), "")]
    lines += ["## Procedure", ""]
    if content.get("procedure_note"):
        lines += [_cell(content["procedure_note"]), ""]
    for stage in content["stages"]:
        lines += [f"### {stage['title']}", ""]
        if stage["text"]:
            lines += [*[f"{_cell(line)}\n" for line in stage["text"].splitlines() if line.strip()]]
        if stage["settings"]:
            lines += _table(("Setting", "value", "may lie"), [(s["name"], s["setting"], s["window"]) for s in stage["settings"]])
        # Versions that were kept earlier say nothing of it.
        if stage.get("left"):
            lines += [stage["left"], ""]
    lines += [window_sentence(content), "", "## Expected yield", "", expected_sentence(content), ""]
    lines += [*[f"- {sentence}" for sentence in gave_sentences(content)], ""]
    lines += ["## How it was found", ""]
    lines += [_cell(found_sentence(content)), "", *[f"- {_cell(f)}" for f in content["findings"]], ""]
    lines += _table(
        ("Run", "Yield", "State", *content["variables"]),
        [(r["number"], _percent(r["percent"]), r["state"] or "finished", *r["settings"]) for r in content["runs"]],
    )
    if content["references"]:
        lines += ["## References", "", *[f"- {_cell(r)}" for r in content["references"]], ""]
    return "\n".join(lines).rstrip() + "\n"


def runs_picture(content: Content) -> str:
    """Yield over runs as a small SVG: open circles for runs that do not count, a filled one for the recipe's run."""
    runs = [r for r in content["runs"] if r["percent"] is not None]
    if not runs:
        return ""
    width, height, left, bottom = 620, 220, 46, 30
    numbers = [r["number"] for r in runs]
    span = max(max(numbers) - min(numbers), 1)
    top = max(100.0, *[r["percent"] for r in runs])

    def x(number: int) -> float:
        return float(left + 14 + (width - left - 34) * (number - min(numbers)) / span)

    def y(percent: float) -> float:
        return float((height - bottom) * (1 - percent / top) + 8)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height + 10}" width="{width}" role="img" '
        f'aria-label="Yield over {len(runs)} runs" font-family="sans-serif" font-size="12">'
    ]
    for tick in (0, 25, 50, 75, 100):
        parts.append(f'<line x1="{left}" x2="{width - 8}" y1="{y(tick):.1f}" y2="{y(tick):.1f}" stroke="#ccc"/>')
        parts.append(f'<text fill="#111" x="{left - 6}" y="{y(tick) + 4:.1f}" text-anchor="end">{tick} %</text>')
    if content["aim_percent"]:
        at = y(content["aim_percent"])
        parts.append(f'<line x1="{left}" x2="{width - 8}" y1="{at:.1f}" y2="{at:.1f}" stroke="#333" stroke-dasharray="6 4"/>')
        parts.append(f'<text fill="#111" x="{width - 10}" y="{at - 4:.1f}" text-anchor="end">aim</text>')
    for r in runs:
        fill = "#000" if r["number"] == content["working_run"] else "#fff" if r["state"] else "#888"
        parts.append(f'<circle cx="{x(r["number"]):.1f}" cy="{y(r["percent"]):.1f}" r="5" fill="{fill}" stroke="#000"/>')
        if len(runs) <= 25:
            parts.append(f'<text fill="#111" x="{x(r["number"]):.1f}" y="{height}" text-anchor="middle">{r["number"]}</text>')
    parts.append("</svg>")
    return "".join(parts)


def as_html(content: Content, version: int | None, body: str) -> str:
    """The write-up as one HTML file that needs nothing else; ``body`` is the rendered document."""
    style = (
        "body{font:15px/1.5 system-ui,sans-serif;max-width:52rem;margin:2rem auto;padding:0 1rem;color:#111}"
        "table{border-collapse:collapse;margin:.5rem 0}td,th{border:1px solid #999;padding:.25rem .6rem;text-align:left}"
        ".caution{border-left:4px solid #a33;padding-left:.8rem}.prewrap{white-space:pre-wrap}.hidden{display:none}"
    )
    what = f"version {version}" if version else "draft"
    title = html.escape(f"{content['title']}, {what}")
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>{style}</style></head>'
        f"<body>{body}</body></html>\n"
    )
