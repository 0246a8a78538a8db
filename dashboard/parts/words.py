"""The words and marks for what the analysis answers. Each status has a word and a shape of its own; colour only helps.

Colours are mid-tones that stand at 3:1 or better on the light and on the dark ground alike.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from analytics.results import Cause, DeviceAdvice, ProbeAdvice, Quantity, Rule
from dashboard.parts.values import day


@dataclass(frozen=True)
class Status:
    """How one answer is said and drawn."""

    word: str  # in a table or a heading
    mark: str  # a character with the same outline as the symbol
    symbol: str  # plotly marker symbol
    colour: str
    icon: str  # Material icon
    means: str  # one sentence


PROBE: dict[ProbeAdvice, Status] = {
    "use": Status(
        "fit", "●", "circle", "#2b8a6e", ":material/check_circle:", "Within limits, and nothing says that it moves."
    ),
    "watch": Status(
        "watch",
        "◆",
        "diamond",
        "#b07a12",
        ":material/visibility:",
        "Something moves, or is close to a level; in use, looked at more often.",
    ),
    "service": Status(
        "pull in", "▼", "triangle-down", "#c8502d", ":material/build:", "Take it out of use and have it serviced."
    ),
    "retire": Status(
        "retire", "✖", "x", "#a0458f", ":material/delete:", "Service does not hold, or costs more than a new one."
    ),
    "undetermined": Status(
        "undetermined",
        "○",
        "circle-open",
        "#73808a",
        ":material/help:",
        "The records do not carry an answer; what is missing is said beside it.",
    ),
}
PROBE_ORDER: tuple[ProbeAdvice, ...] = ("retire", "service", "watch", "undetermined", "use")

PATIENT_USE = {
    "allowed": "patient use: yes",
    "repeat_first": "patient use: after a good check",
    "not_until_cleared": "not for patient use until cleared",
}

DEVICE: dict[DeviceAdvice, Status] = {
    "use": Status("good", "●", "circle", "#2b8a6e", ":material/check_circle:", "Nothing in common moves on it."),
    "verify": Status(
        "verify",
        "◆",
        "diamond",
        "#b07a12",
        ":material/fact_check:",
        "Check its record, its place and its certificate before blaming a probe.",
    ),
    "replace": Status(
        "replace", "▼", "triangle-down", "#c8502d", ":material/swap_horiz:", "Get another; this one no longer serves."
    ),
}

DEVICE_KIND = {"source": "check source", "jig": "jig", "readout": "control unit"}

CAUSE: dict[Cause, str] = {
    "none": "nothing found",
    "window_slip": "photopeak sliding in its window (gain drift)",
    "efficiency_loss": "loss of efficiency",
    "sudden_loss": "sudden loss (drop, broken coupling)",
    "contamination": "contamination",
    "intermittent": "intermittent contact (cable, connector)",
    "shield": "shield or collimator moved",
    "electronics": "electronics (double pulsing, pick-up)",
    "battery_or_temperature": "battery, temperature or warm-up",
    "record_error": "error in the record",
    "check_source": "the check source, not the probe",
    "unknown": "no known pattern fits",
}

QUANTITY: dict[Quantity, str] = {
    "response": "Response",
    "background": "Background",
    "window_shift": "Window shift",
    "window_width": "Window width",
    "scatter": "Scatter",
    "side": "Side reading",
}

RULE: dict[Rule, str] = {
    "outside_limits": "outside the chart's limits",
    "same_side": "too many on one side",
    "cusum": "sum of small departures (CUSUM)",
    "ewma": "moving average (EWMA)",
    "change_point": "level changed (change point)",
    "drift": "steady drift",
    "action_level": "action level passed",
    "tolerance": "tolerance limit passed",
    "no_signal": "no signal",
    "background": "background raised",
    "window_shift": "photopeak off its place",
    "scatter": "scatter not as usual",
    "side": "side reading changed",
    "below_side_readings": "centred count not above both sides",
}

_ISO_DAY = re.compile(r"(?<![\w-])(\d{4})-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])(?![\w-])")
_ADVICE = re.compile("`(" + "|".join(PROBE) + ")`")
_LIKELY = re.compile(r"(?:^|(?<=\. ))Likely cause: (" + "|".join(one.replace("_", " ") for one in CAUSE) + r") \(")


def as_on_pages(sentence: str) -> str:
    """A sentence of the analysis with its days, its cause and any advice as the pages word them.

    >>> as_on_pages("It is down since about 2026-03-24.")
    'It is down since about 24 Mar 2026.'
    >>> as_on_pages("Likely cause: efficiency loss (probability 81 %).")
    'Likely cause: loss of efficiency (probability 81 %).'
    >>> as_on_pages("Computed: `service`; patient use is as computed.")
    'Computed: pull in; patient use is as computed.'
    """
    sentence = _ISO_DAY.sub(_day, sentence)
    advice: dict[str, Status] = {str(one): status for one, status in PROBE.items()}
    sentence = _ADVICE.sub(lambda m: advice[m.group(1)].word, sentence)
    words: dict[str, str] = {cause.replace("_", " "): word for cause, word in CAUSE.items()}
    return _LIKELY.sub(lambda m: f"Likely cause: {words[m.group(1)]} (", sentence)


def _day(found: re.Match[str]) -> str:
    try:
        return day(date.fromisoformat(found.group(0)))
    except ValueError:  # 30 February is no day: left as it stands
        return found.group(0)
