"""The words of the app, each with one meaning; pages name those they use and link to them."""

from __future__ import annotations

import re

GLOSSARY = {
    "preparation": "What is being made and improved: materials, variables, limits, aim.",
    "material": "A line of the charge: reagent, solvent, catalyst, drying agent, wash; with formula, amount and purity.",
    "variable": "Something that may be set differently from run to run. It has unit, range, step, hard limit and stage.",
    "setting": "The value of a variable in one run, planned and as run.",
    "stage": "Reaction, quench, work-up, isolation or drying: where a variable acts and where losses are measured.",
    "run": "One attempt: planned, under way, finished or abandoned.",
    "reading": "A timed measurement during a run, such as a volume collected, the product in the mixture, or a temperature.",
    "checkpoint": "A weighed intermediate of a run.",
    "stretch": "The part of the way of the product between two checkpoints, theory and isolated product included.",
    "repeat": "Runs with the same settings; their scatter is the repeatability.",
    "working recipe": "The settings that the evidence favours today; always settings that were really run.",
    "effect": "Change in yield when one variable goes across the range that was tried, the others held at the working recipe.",
    "evidence": "Words for an effect: clear (95 % sure of its direction, runs enough), likely (90 %), not shown, "
    "cannot be told apart from …",
    "proposal": "The suggested next run, with its purpose, forecast and reason.",
    "forecast record": "The forecasts of runs that were planned, proposed ones and those planned by hand, against what happened.",
    "tolerance window": "How far each variable may drift with the yield still within the chosen loss, all variables together.",
    "new ground": "Settings outside what has been tried.",
    "limit": "A hard bound or rule over variables. A proposal never leaves it.",
}

_TAGS = re.compile(r"<(script|style|head)\b.*?</\1>|<[^>]*>", re.DOTALL)
# Longer words first, so that ‘working recipe’ is no ‘recipe’.
_WORDS = {word: re.compile(rf"\b{word}(e?s)?\b", re.IGNORECASE) for word in sorted(GLOSSARY, key=len, reverse=True)}


def words_used(html: str) -> list[str]:
    """Words of the glossary that stand in the text of a page, in the glossary's order.

    Examples
    --------
    >>> words_used("<p title='stage'>The working recipe has two settings.</p>")
    ['setting', 'working recipe']
    """
    text = _TAGS.sub(" ", html)
    found = {word for word, pattern in _WORDS.items() if pattern.search(text)}
    return [word for word in GLOSSARY if word in found]
