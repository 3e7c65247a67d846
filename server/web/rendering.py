"""Templates, their filters, and links to static files with a content hash."""

from __future__ import annotations

import hashlib
import json
import math
import re
from datetime import datetime
from functools import lru_cache
from typing import Any

from fastapi import Request
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse, Response

from server.core.chemistry.charge import FEWEST_DIGITS
from server.core.choose.gain import percent_words
from server.core.model.effects import signed
from server.core.space.units import duration_text
from server.core.space.variables import STAGE_WORDS, Stage
from server.paths import asset_folder
from server.services.words import content_words, plain, portions_text
from server.web.glossary import words_used

DASH = "–"
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?[+-]\d\d:\d\d")
# Where the foot of a page names the words of the glossary that it uses.
WORDS_PLACE = "<!-- words -->"


def show_number(value: float | None, digits: int = 3) -> str:
    """Show a number to significant digits, a dash for None.

    Examples
    --------
    >>> show_number(0.123456), show_number(1250.0), show_number(-0.5), show_number(None)
    ('0.123', '1250', '−0.5', '–')
    """
    return DASH if value is None else plain(value, digits)


def show_mass(value: float | None, readability: float) -> str:
    """Show a mass with the decimals of the balance; what is too little for it with its digits.

    Examples
    --------
    >>> show_mass(0.2, 0.01), show_mass(4.0, 0.001), show_mass(0.00213, 0.01)
    ('0.20', '4.000', '0.00213')
    """
    if value is None:
        return DASH
    if 0 < value < FEWEST_DIGITS * readability:
        return f"{value:.3g}"
    decimals = max(0, -math.floor(math.log10(readability) + 1e-9))
    return f"{value:.{decimals}f}"


def show_percent(value: float | None, digits: int = 1) -> str:
    """Show a yield in per cent.

    Examples
    --------
    >>> show_percent(71.449)
    '71.4 %'
    """
    return DASH if value is None else f"{value:.{digits}f} %"


def show_points(value: float | None) -> str:
    """Show a difference of yields with its sign.

    Examples
    --------
    >>> show_points(-3.25), show_points(4.0)
    ('−3.2', '+4.0')
    """
    return DASH if value is None else signed(value)


def show_day(value: datetime | str | None) -> str:
    """Show the day of a moment as year-month-day."""
    if value is None:
        return DASH
    return value if isinstance(value, str) else value.astimezone().strftime("%Y-%m-%d")


def show_logged(value: Any) -> str:
    """Show a value of the history: numbers without digits that nobody entered, nothing as a dash.

    Examples
    --------
    >>> show_logged(1.9436287999999997), show_logged(None), show_logged([5.0, None]), show_logged("under_way")
    ('1.94363', '–', '5 and –', 'under way')
    """
    if value is None or value == "":
        return DASH
    if isinstance(value, list):
        return " and ".join(show_logged(one) for one in value)
    if isinstance(value, float):
        return show_number(value, 6)
    if isinstance(value, str) and _MOMENT.fullmatch(value):
        return datetime.fromisoformat(value).astimezone().strftime("%Y-%m-%d %H:%M")
    return show_words(value) if isinstance(value, str) else str(value)


def show_words(value: str) -> str:
    """Show a stored keyword as words.

    Examples
    --------
    >>> show_words("hold_time")
    'hold time'
    """
    return value.replace("_", " ")


def show_stage(value: str) -> str:
    """Name a stage in words."""
    return STAGE_WORDS[Stage(value)] if value in set(Stage) else value


def figure_json(figure: dict[str, Any]) -> str:
    """A figure as JSON that is safe inside a script element; NaN is refused."""
    text = json.dumps(figure, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@lru_cache(maxsize=64)
def static_link(path: str) -> str:
    """Address of a static file with the first digits of its SHA-256, so that it may be cached for ever."""
    content = (asset_folder("static") / path).read_bytes()
    return f"/static/{path}?v={hashlib.sha256(content).hexdigest()[:12]}"


def make_environment() -> Environment:
    """Return the template environment; a missing name is an error."""
    environment = Environment(
        loader=FileSystemLoader(asset_folder("templates")),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        number=show_number,
        mass=show_mass,
        percent=show_percent,
        points=show_points,
        day=show_day,
        words=show_words,
        chance=percent_words,
        stage=show_stage,
        portions=portions_text,
        content_words=content_words,
        duration=duration_text,
        figure_json=figure_json,
    )
    environment.globals["static_link"] = static_link
    return environment


@lru_cache(maxsize=1)
def templates() -> Jinja2Templates:
    """The application's templates."""
    return Jinja2Templates(env=make_environment())


def render(request: Request, name: str, page: object, *, status: int = 200) -> Response:
    """Render a template; it gets one object called ``page``. The foot of a whole page links the words that it uses."""
    html = templates().env.get_template(name).render(page=page, request=request)
    if WORDS_PLACE in html:
        links = " · ".join(f'<a href="/help#{w.replace(" ", "-")}">{w}</a>' for w in words_used(html.split(WORDS_PLACE)[0]))
        html = html.replace(WORDS_PLACE, f'<p class="words">Words used here: {links}</p>' if links else "")
    return HTMLResponse(html, status_code=status)
