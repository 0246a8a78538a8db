"""What is to be said about a value besides its number: bit flags of a check point, each with its sentence."""

from __future__ import annotations

from enum import IntFlag


class Flag(IntFlag):
    """Bits of the ``flags`` arrays."""

    NONE = 0
    GROSS = 1
    BORROWED_BACKGROUND = 2
    RUNNING_BACKGROUND = 4
    DEAD_TIME_LOSS = 8
    BEFORE_REFERENCE = 16
    BRANCH_REFUSED = 32
    NO_SIGNAL = 64
    NO_HALF_LIFE = 128
    DERIVED = 256
    NO_ACTIVITY = 512
    NOT_CENTRED = 1024
    NOT_IDENTIFIED = 2048
    MIXED_PLACEMENT = 4096
    ASSUMED_WIDTH = 8192
    DECAYED_AWAY = 16384


SENTENCES: dict[Flag, str] = {
    Flag.GROSS: "No background was ever counted for this probe and window, so the response is gross.",
    Flag.BORROWED_BACKGROUND: "The background is the last one of this probe and window, not older than 7 days.",
    Flag.RUNNING_BACKGROUND: "The background is the running level of this probe and window; none is within 7 days.",
    Flag.DEAD_TIME_LOSS: "More than 10 % of the counts are lost to dead time.",
    Flag.BEFORE_REFERENCE: "Counted before the reference date of the source; its activity was decayed backwards.",
    Flag.BRANCH_REFUSED: "The observed rate is beyond what the dead-time model can correct.",
    Flag.NO_SIGNAL: "The net count is below the decision limit: no signal.",
    Flag.NO_HALF_LIFE: "No half-life is known for the nuclide of this source, so no decay correction is possible.",
    Flag.DERIVED: "The counts were derived from a displayed rate.",
    Flag.NO_ACTIVITY: "The source states no activity; the response is in cps decayed to its reference date.",
    Flag.NOT_CENTRED: "The centred count is not significantly above both offset counts.",
    Flag.NOT_IDENTIFIED: "Shift and width cannot be told from these three counts.",
    Flag.MIXED_PLACEMENT: "The three window counts do not share one positioning.",
    Flag.DECAYED_AWAY: "Counted more than 40 half-lives from the reference date of the source: its nuclide or date cannot be right.",
    Flag.ASSUMED_WIDTH: "The line width was assumed from the kind of detector.",
}


def sentences(flags: int) -> tuple[str, ...]:
    """The sentences of all bits set.

    >>> sentences(Flag.NO_SIGNAL)
    ('The net count is below the decision limit: no signal.',)
    """
    return tuple(text for flag, text in SENTENCES.items() if flags & flag)
