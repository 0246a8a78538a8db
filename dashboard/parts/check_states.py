"""The states of checks that are not countings, each as a mark and a word."""

from __future__ import annotations

from analytics.advice.other_checks import SOON_DAYS

STATE = {
    "failed": "✖ failed",
    "asked_for": "◆ asked for",
    "past_due": "▼ past due",
    "due_soon": f"△ due, or within {SOON_DAYS} d",
    "in_date": "● in date",
    "no_rhythm": "○ no interval known",
}
