"""Where along one variable the rules do not allow it, the others held at a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, pairwise

from server.core.space.limits import Space
from server.core.space.units import plain
from server.core.space.variables import Role, Setting, Settings, Variable

# An end between two points is found to a 2⁻³⁰ part of their distance.
_HALVINGS = 30


def broken_along(space: Space, recipe: Settings, key: str, values: Sequence[Setting]) -> list[tuple[str, ...]]:
    """Texts of the rules that each value of a variable breaks, the other settings as in the recipe."""
    return [_broken(space, recipe, key, value) for value in values]


def forbidden_words(
    space: Space, recipe: Settings, key: str, values: Sequence[Setting], broken: Sequence[tuple[str, ...]]
) -> str:
    """Which part of the values the rules do not allow, and which rules, in a sentence; empty where they allow all.

    Parameters
    ----------
    recipe : mapping
        All settings; those of the other variables are held.
    values : sequence of float or str
        Ascending numbers, or options.
    broken : sequence of tuple of str
        What each of them breaks, see ``broken_along``.
    """
    variable = space.variable(key)
    if not any(broken):
        return ""
    if all(broken):
        where = ["anywhere"]
    elif variable.is_choice:
        where = [str(value) for value, rules in zip(values, broken, strict=True) if rules]
    else:
        where = _stretches(space, recipe, variable, [float(value) for value in values], broken)
    rules = ", ".join(f"“{text}”" for text in dict.fromkeys(text for texts in broken for text in texts))
    return f"Not allowed with the other settings of the working recipe: {', '.join(where)} ({rules})."


def _stretches(
    space: Space, recipe: Settings, variable: Variable, values: Sequence[float], broken: Sequence[tuple[str, ...]]
) -> list[str]:
    """What of a range is not allowed, in words."""

    def end(k: int) -> str:
        """Where between the points k − 1 and k the rules change sides."""
        before, after = values[k - 1], values[k]
        if variable.role is Role.COUNT:
            return f"{before if broken[k] else after:g}"
        for _ in range(_HALVINGS):
            middle = 0.5 * (before + after)
            if bool(_broken(space, recipe, variable.key, middle)) == bool(broken[k]):
                after = middle
            else:
                before = middle
        return f"{plain(0.5 * (before + after), 4)} {variable.unit}".rstrip()

    found = []
    starts = [0, *(k for k, (a, b) in enumerate(pairwise(map(bool, broken)), start=1) if a != b), len(values)]
    # Every rule allows one stretch of a number, so that what is not allowed lies at the ends.
    for (is_off, _), (first, last) in zip(groupby(map(bool, broken)), pairwise(starts), strict=True):
        if is_off:
            found.append(f"below {end(last)}" if first == 0 else f"above {end(first)}")
    return found


def _broken(space: Space, recipe: Settings, key: str, value: Setting) -> tuple[str, ...]:
    settings = {**recipe, key: value}
    return tuple(rule.text for rule in space.rules if not rule.holds(settings))
