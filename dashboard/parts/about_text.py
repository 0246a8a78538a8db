"""What the About page says: the cautions, the words, and the methods with where each is from. Text only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Standing = Literal["read", "data set", "from memory", "common practice", "site choice", "our own"]

PURPOSE = (
    "Steadycount turns the constancy checks of surgical gamma probes (ten-second counts on a sealed check source "
    "in a jig) "
    "into answers: is this probe fit, is it drifting, why, when will it be out of tolerance, and is it the probe "
    "or its source?"
)

CAUTIONS = (
    (
        "It helps to decide; it does not decide.",
        "The licensed medical physicist answers for the probe, and local rules come before anything written here.",
    ),
    (
        "Beyond the tolerance limit: not for patient use until cleared.",
        "A named person clears a probe, on a check that verifies it. A good count alone clears nothing.",
    ),
    (
        "Undetermined means undetermined.",
        (
            "Where the records cannot carry an answer, none is given; what is missing is said. It is not a way of "
            "saying fit."
        ),
    ),
    (
        "The raw counts stand.",
        (
            "Every result is computed from counts that are never changed. An excluded reading is hidden from the "
            "analysis, shown "
            "hollow, and can be taken back; a correction keeps the old value in the history."
        ),
    ),
    (
        "A constancy check is no test of sensitivity.",
        (
            "A probe can hold its reference and still be too insensitive, too wide or badly shielded. "
            "Acceptance tests and the tests after a repair or a drop are other checks."
        ),
    ),
    (
        "A forecast is a range, not a date.",
        "Its 90 % interval assumes that the probe goes on as it does. A dropped probe does not wait for its forecast.",
    ),
    (
        "The check source is a radioactive source.",
        (
            "Keep it in its shield when it is not read, leave no source in a jig, look for it before you leave, and "
            "follow local "
            "rules for leak tests, inventory and disposal. If one is missing or damaged, call the radiation protection "
            "officer first."
        ),
    ),
    (
        "No patient data belongs in here.",
        "A case reference is enough to look back. Names and dates of birth are neither needed nor wanted.",
    ),
)


@dataclass(frozen=True)
class Method:
    """One step of the analysis: what is done, where it is from, and whether that was read."""

    step: str
    how: str
    source: str
    standing: Standing


METHODS = (
    Method(
        "Dead time",
        "Non-paralysable n = m/(1 − mτ), or the low branch of the paralysable model; refused beyond it.",
        "textbook formulas; two-source method",
        "from memory",
    ),
    Method(
        "Background",
        "Counted with the check, else the last one within 7 days, else the running level; each is flagged. "
        "u²(net) = N_g F²/T_g² + N_b/T_b².",
        "counting statistics, printed examples in the tests",
        "read",
    ),
    Method(
        "No signal",
        "Net counts below the decision limit 2.33·√B (paired blank) are no signal; no logarithm is taken.",
        "Currie, Anal Chem 1968",
        "read",
    ),
    Method(
        "Decay",
        "2^(−age/half-life); half-lives of ICRP Publication 107 unless the settings name another, with its source.",
        "ICRP Publication 107 by the radioactivedecay data set",
        "data set",
    ),
    Method(
        "Reference",
        "A robust centre of the first checks, with its own uncertainty, which is added to every later residual.",
        "chart model of IAEA TECDOC-602 §2.4.1: mean of ten repeats, decay of the source; robust centre: our own",
        "read",
    ),
    Method(
        "Probe or source?",
        "What all probes on a source do together is the source's, and is taken off before a probe is judged.",
        "robust mean of the other probes",
        "our own",
    ),
    Method(
        "Charts",
        "Likelihood-ratio CUSUM with unequal variances, a change-point chart with unknown reference, a scatter chart; "
        "limits from a yearly budget of false alarms.",
        "NIST/SEMATECH e-Handbook 6.3; published run lengths in the tests",
        "read",
    ),
    Method(
        "Repeats",
        "A lone outlier asks for a reseated repeat; what is repeated is believed. Chi-square on raw counts of "
        "equal time.",
        "IAEA TECDOC-602 §2.3.2",
        "read",
    ),
    Method(
        "Window",
        "Three counts below, on and above the photopeak, fitted by the nuclide's lines over the window's width.",
        "line energies and intensities of the evaluations; half-yearly three-position check",
        "common practice",
    ),
    Method(
        "Crossing date",
        "First passage of the true response through the limit, drift and its uncertainty carried through.",
        "inverse Gaussian first-passage law",
        "from memory",
    ),
    Method(
        "Action level and tolerance limit",
        "Above the action level find the cause; beyond the tolerance limit no patient "
        "use until cleared. The two words and what follows from them.",
        "SSK (Germany) 2010",
        "read",
    ),
    Method(
        "5 % and 10 %",
        "The start values of the two levels. They are no standard's: each site sets its own.",
        "none",
        "site choice",
    ),
    Method("Constancy check at least weekly in use, half-yearly idle", "As for counters in use.", "IEC 61453", "read"),
)

STANDING_MEANS: dict[Standing, str] = {
    "read": "the work, or its abstract, was opened",
    "data set": "published numbers, used as they are and tested against their source",
    "from memory": "not opened for this; check before you cite it",
    "common practice": "common practice of the trade, no source",
    "site choice": "to be set by the site",
    "our own": "decided here, tested on simulated fleets",
}
