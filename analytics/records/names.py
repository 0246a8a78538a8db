"""Names that are nearly known: typing errors that would otherwise become new windows, jigs or probes."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

MOST_SUGGESTED = 500


def folded(name: str) -> str:
    """A name without case, blanks and hyphens.

    >>> folded("Tc-99m") == folded("tc 99M")
    True
    """
    return "".join(one for one in name.casefold() if not one.isspace() and one not in "-‐‑‒–—_")


def one_character_apart(a: str, b: str) -> bool:
    """Whether two names differ by exactly one character changed, added or left out.

    >>> one_character_apart("Co-57", "Co-58"), one_character_apart("J1", "J12"), one_character_apart("J1", "K2")
    (True, True, False)
    """
    if a == b or abs(len(a) - len(b)) > 1:
        return False
    if len(a) == len(b):
        return sum(x != y for x, y in zip(a, b, strict=True)) == 1
    short, long = sorted((a, b), key=len)
    at = next((i for i, (x, y) in enumerate(zip(short, long, strict=False)) if x != y), len(short))
    return short[at:] == long[at + 1 :]


def near_misses(new: Mapping[str, int], known: Iterable[str]) -> dict[str, str]:
    """New names that differ from a known one only by case, blanks, hyphens or one character -> that known name.

    Among the new names themselves only case, blanks and hyphens count, and the rarer one is the miss.

    new: name -> how often it occurs. A jig ``J2`` beside a new ``J1`` is no miss, beside a known ``J1`` it is:

    >>> near_misses({"co57": 3}, ["Co-57"]), near_misses({"J1": 9, "J2": 4, "j2": 1}, [])
    ({'co57': 'Co-57'}, {'j2': 'J2'})
    """
    known = sorted(known)
    by_folded: dict[str, str] = {}
    for name in known:
        by_folded.setdefault(folded(name), name)
    one_off = _OneOff(known)
    found: dict[str, str] = {}
    for name in sorted(new, key=lambda one: (-new[one], one)):
        key = folded(name)
        close = by_folded.get(key) or one_off.match(name)
        if close is not None:
            found[name] = close
        else:
            by_folded[key] = name
    return found


class _OneOff:
    """Known names by every way of leaving one character out: a match is looked up, not searched for."""

    def __init__(self, known: Iterable[str]) -> None:
        self._known: dict[str, list[str]] = {}
        for name in known:
            for key in {name, *_shorter(name)}:
                self._known.setdefault(key, []).append(name)

    def match(self, name: str) -> str | None:
        for key in (name, *_shorter(name)):
            for one in self._known.get(key, ()):
                if one_character_apart(name, one):
                    return one
        return None


def _shorter(name: str) -> list[str]:
    return [name[:i] + name[i + 1 :] for i in range(len(name))]


def suggestions(unknown: Iterable[str], known: Iterable[str], what: str) -> dict[str, str]:
    """A sentence for each unknown id: the nearest known one, if any is near.

    >>> suggestions(["GP-O01"], ["GP-001", "GP-002"], "probe")["GP-O01"]
    'Did you mean `GP-001`?'
    """
    unknown, known = sorted(unknown), sorted(known)
    if not unknown:
        return {}
    by_folded = {folded(name): name for name in reversed(known)}
    one_off = _OneOff(known)
    found: dict[str, str] = {}
    for i, name in enumerate(unknown):
        close = by_folded.get(folded(name)) or one_off.match(name)
        if close is None and i < MOST_SUGGESTED:
            close = next(iter(difflib.get_close_matches(name, known, 1, 0.6)), None)
        if close is not None:
            found[name] = f"Did you mean `{close}`?"
        elif known:
            found[name] = f"No {what} has a similar id."
        else:
            found[name] = f"No {what} is registered yet."
    return found
