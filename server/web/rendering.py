"""Templates, their filters, and links to static files with a content hash."""

from __future__ import annotations

import hashlib
import json
import re
from datetime import datetime
from functools import lru_cache
from html.parser import HTMLParser
from typing import Any

from fastapi import Request
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import escape
from starlette.responses import HTMLResponse, Response

from server.core.choose.gain import percent_words
from server.core.model.effects import signed
from server.core.space.units import duration_text
from server.core.space.variables import STAGE_WORDS, Stage
from server.paths import asset_folder
from server.services.words import content_words, mass_text, plain, portions_text, weighed_text
from server.web.forms import forget_told, told_at
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
    return DASH if value is None else mass_text(value, readability)


def show_weighed(value: float | None, readability: float) -> str:
    """Show a mass that was weighed with the decimals of the balance, and never with fewer than were typed.

    Examples
    --------
    >>> show_weighed(2.9, 0.01), show_weighed(2.905, 0.01), show_weighed(None, 0.01)
    ('2.90', '2.905', '–')
    """
    return DASH if value is None else weighed_text(value, readability)


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
        weighed=show_weighed,
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
    environment.globals["told_at"] = told_at
    return environment


@lru_cache(maxsize=1)
def templates() -> Jinja2Templates:
    """The application's templates."""
    return Jinja2Templates(env=make_environment())


class _Names(HTMLParser):
    """Names of the fields of a page by their ids, in the order in which they stand there."""

    def __init__(self) -> None:
        super().__init__()
        self.places: list[str] = []
        self.names: dict[str, str] = {}
        self._label: str | None = None
        self._fieldset = ""
        self._text = ""
        self._left_out = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        if "id" in found:
            self.places.append(found["id"])
            if "aria-label" in found:
                self.names.setdefault(found["id"], found["aria-label"])
        if tag == "fieldset":
            self._fieldset = found.get("id", "")
        if tag in ("label", "legend"):
            self._label, self._text = found.get("for", "") if tag == "label" else self._fieldset, ""
        elif tag == "span" and self._label and (self._left_out or found.get("class") in ("hidden", "needed")):
            self._left_out += 1

    def handle_endtag(self, tag: str) -> None:
        if tag == "span" and self._left_out:
            self._left_out -= 1
        elif tag in ("label", "legend"):
            if self._label and (name := " ".join(self._text.split())):
                self.names[self._label] = name
            self._label = None

    def handle_data(self, data: str) -> None:
        if self._label and not self._left_out:
            self._text += data


_MISTAKES = re.compile(r"<ul data-mistakes>(.*?)</ul>", re.DOTALL)
_MISTAKE = re.compile(r'<li><a href="#([^"]*)">(.*?)</a></li>', re.DOTALL)


def name_fields(html: str) -> str:
    """Name the field of every mistake in the lists of a page, and put them into the order of the fields.

    A list stands above its form, so it is drawn before the names of the fields are known.
    """
    if "<ul data-mistakes>" not in html:
        return html
    page = _Names()
    page.feed(html)
    order = {place: k for k, place in reversed(list(enumerate(page.places)))}

    def one_list(found: re.Match[str]) -> str:
        mistakes = sorted(_MISTAKE.findall(found[1]), key=lambda m: order.get(m[0], len(order)))
        lines = []
        for place, text in mistakes:
            name = escape(page.names.get(place, ""))
            # A message that begins with the name says it already.
            told = f"{name}: " if name and not text.startswith(name) else ""
            lines.append(f'<li><a href="#{place}">{told}{text}</a></li>')
        return f"<ul>{''.join(lines)}</ul>"

    return _MISTAKES.sub(one_list, html)


def render(request: Request, name: str, page: object, *, status: int = 200) -> Response:
    """Render a template; it gets one object called ``page``. The foot of a whole page links the words that it uses."""
    html = templates().env.get_template(name).render(page=page, request=request)
    if WORDS_PLACE in html:
        links = " · ".join(f'<a href="/help#{w.replace(" ", "-")}">{w}</a>' for w in words_used(html.split(WORDS_PLACE)[0]))
        html = html.replace(WORDS_PLACE, f'<p class="words">Words used here: {links}</p>' if links else "")
    answer = HTMLResponse(name_fields(html), status_code=status)
    forget_told(request, answer)
    return answer
