"""What several pages show: figures with their description, the frame of a preparation's pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from server.core.choose.gain import percent_words
from server.core.choose.proposal import Purpose
from server.core.model.ladder import FEWEST_RUNS_FOR_WEIGHTS
from server.core.space.variables import Setting
from server.services.analysis import Analysis
from server.services.runs import RunView
from server.services.words import OUTCOME_LABELS
from server.storage.tables import PreparationRow
from server.web.forms import as_text


@dataclass(frozen=True)
class Figure:
    """A figure with the sentence that states its finding for those who do not see it."""

    key: str
    description: str
    data: dict[str, Any]


@dataclass(frozen=True)
class Frame:
    """Heading and navigation of a preparation's pages; ``here`` is the page's own stem."""

    preparation: PreparationRow
    here: str

    @property
    def base(self) -> str:
        return f"/preparations/{self.preparation.id}"

    @property
    def links(self) -> list[tuple[str, str, str]]:
        """(stem, label, address) of the pages of a preparation."""
        return [
            ("overview", "Overview", self.base),
            ("effects", "What moved the yield", f"{self.base}/effects"),
            ("stages", "Stage by stage", f"{self.base}/stages"),
            ("proposal", "Next run", f"{self.base}/proposal"),
            ("courses", "Time courses", f"{self.base}/courses"),
            ("recipe", "Recipe", f"{self.base}/recipe"),
            ("record", "Forecasts", f"{self.base}/record"),
            ("writeup", "Write-up", f"{self.base}/write-up"),
            ("charge", "Charge", f"{self.base}/charge"),
            ("setup", "Variables and limits", f"{self.base}/setup"),
        ]


def run_kind(run: RunView) -> str:
    """How a run appears in figures."""
    if run.row.excluded_reason is not None:
        return "excluded"
    return "failure" if run.row.outcome == "failure" else "counted"


def run_status(run: RunView) -> str:
    """State of a run in words, with what sets it apart."""
    if run.row.state != "finished":
        return run.row.state.replace("_", " ")
    if run.row.excluded_reason is not None:
        return "excluded"
    return OUTCOME_LABELS.get(run.row.outcome, "finished")


def forecast_address(analysis: Analysis, settings: Mapping[str, Setting], purpose: Purpose, **asked: str) -> str:
    """Address of the page with the forecast of some settings, from which they can be planned.

    ``asked`` is what else its form is to hold, by the names of the fields; empty texts are left out.
    """
    query = {f"setting_{v.key}": as_text(settings[v.key]) for v in analysis.space.variables}
    query |= {"purpose": purpose.value, **{name: text for name, text in asked.items() if text}}
    return f"/preparations/{analysis.preparation.id}/forecast?" + urlencode(query)


def trust_sentence(analysis: Analysis) -> str:
    """How much what readings and checkpoints imply weighs in the models."""
    share = f"Models that know what readings and checkpoints imply have {percent_words(analysis.ladder.trust)} of the weight"
    if analysis.table.n_runs < FEWEST_RUNS_FOR_WEIGHTS:
        return f"{share} until there are {FEWEST_RUNS_FOR_WEIGHTS} runs to judge them by."
    return f"{share}, from how well they predict each run without all that was worked out from it."
