"""The terms of the pages: one sentence each and where it is from. Help on headings and columns, and a list on About."""

from __future__ import annotations

from dataclasses import dataclass

OWN, CHOICE, PRACTICE = "our own", "site choice", "common practice, no source"


@dataclass(frozen=True)
class Term:
    """A term as it is used here."""

    word: str
    means: str  # one sentence
    source: str  # a work that was read, or one of the three above

    @property
    def help(self) -> str:
        """What stands behind the question mark beside the word."""
        return f"**{self.word}**: {self.means} *({self.source})*"


_TERMS = (
    Term(
        "response",
        "Net count rate on the check source, corrected for dead time, background and decay, over the source's activity.",
        PRACTICE,
    ),
    Term(
        "reference",
        "The centre of the first checks after acceptance or a service that sets a new one, to which every later check is held.",
        "chart model of IAEA TECDOC-602 §2.4.1; robust centre: our own",
    ),
    Term(
        "action level",
        "Above it, find the cause and take a defined action; the number is the site's to set.",
        "SSK (Germany) 2010; the number: site choice",
    ),
    Term(
        "tolerance limit",
        "Beyond it, no patient use until a named person has cleared the probe; the number is the site's to set.",
        "SSK (Germany) 2010; the number: site choice",
    ),
    Term(
        "drift",
        "The steady part of the movement, in per cent of the reference a year, with what source and jig do taken off.",
        OWN,
    ),
    Term(
        "crossing",
        "When the response passes a limit if it goes on as it does: a 90 % range and its median, not a day.",
        OWN,
    ),
    Term("episode", "Several alerts on one happening, counted once.", OWN),
    Term("dead band", "A movement so small that no chart shall signal for it, in per cent of the reference.", CHOICE),
    Term(
        "decision limit",
        "Net counts below it cannot be told from background: 2.33·√B with a paired blank of B counts.",
        "Currie 1968",
    ),
    Term(
        "common movement",
        "What all probes read on one source, or with one jig, do together; it is taken off before a probe is judged.",
        OWN,
    ),
    Term(
        "window shift",
        "How far the photopeak lies from the centre of the energy window, in per cent of its energy.",
        PRACTICE,
    ),
    Term("scatter", "How far checks spread beyond counting statistics and placing, in per cent.", OWN),
    Term("side reading", "Count rate with the source beside the shielded shaft over that in front, in per cent.", PRACTICE),
    Term("90 % interval", "The range that holds the true value in 9 of 10 such cases.", OWN),
    Term("patient use", "Whether patients may be examined with the probe; after tolerance was passed, a good count alone frees none.", OWN),
    Term("overdue", "The day of the next check has passed, by the site's schedule or else by the probe's own habit.", OWN),
)
TERMS = {one.word: one for one in _TERMS}


def help_on(*words: str) -> str:
    """The help on one or more terms, each its own paragraph; KeyError where a term is not listed.

    >>> help_on("episode")
    '**episode**: Several alerts on one happening, counted once. *(our own)*'
    """
    return "\n\n".join(TERMS[one].help for one in words)
