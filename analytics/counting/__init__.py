"""From countings to checks: what was measured, corrected, with its variance."""

from __future__ import annotations

from analytics.counting.checks import count_records
from analytics.counting.flags import Flag, sentences
from analytics.counting.response import expected_log_var
from analytics.counting.tables import Backgrounds, Counted, Keys, Responses, Sides, WindowChecks

__all__ = [
    "Backgrounds", "Counted", "Flag", "Keys", "Responses", "Sides", "WindowChecks", "count_records", "expected_log_var",
    "sentences",
]
