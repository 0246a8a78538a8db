"""What the fixture fleet says of its stories: alerts, verdicts and devices, written by hand."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from analytics.results import Alert, DeviceResult, ProbeResult

AS_OF = datetime(2025, 6, 30, 9)
START = datetime(2023, 7, 3, 8)
HALF_LIFE_DAYS = 271.74
ACTIVITY_KBQ = 3700.0


def alerts_of(probe: str, story: str, at: list[datetime]) -> tuple[Alert, ...]:
    """The alerts a right analysis gives for a story."""
    episode = f"E-{probe[-3:]}"
    if story in ("losing", "slipping", "worn_out"):
        return (
            Alert(
                episode,
                "cusum",
                at[-30],
                at[-40],
                None,
                "low",
                "The response has left its reference downwards; the sum of departures passed its limit.",
            ),
            Alert(
                episode,
                "action_level",
                at[-12],
                at[-40],
                None,
                "low",
                "The response is more than 5 % below its reference.",
            ),
        )
    if story == "dead":
        return (Alert(episode, "no_signal", at[-1], at[-2], None, "low", "Two checks in a row gave no net counts."),)
    if story == "splashed":
        return (
            Alert(
                episode, "background", at[-3], at[-5], None, "high", "The background is three times its usual value."
            ),
        )
    if story == "slow_fall":
        return (
            Alert(
                episode,
                "change_point",
                at[20],
                at[15],
                at[32],
                "low",
                "The level had changed; it came back after cleaning.",
            ),
        )
    return ()


def verdict_of(probe: str, site: str, story: str, latest: datetime, slope: float | None) -> ProbeResult:
    """The answer a right analysis gives for a story."""
    advice, use, cause, sure, reason, missing = {
        "healthy": ("use", "allowed", "none", 0.97, "Response 100.1 % of its reference; no chart signals.", ()),
        "slow_fall": (
            "watch",
            "allowed",
            "efficiency_loss",
            0.71,
            f"Response falls {abs(slope or 0):.1f} % a year since about 12 Aug 2024.",
            (),
        ),
        "losing": (
            "service",
            "allowed",
            "efficiency_loss",
            0.93,
            "Response 90.2 % of its reference, falling 11 % a year; it passes 90 % within weeks.",
            (),
        ),
        "slipping": (
            "service",
            "repeat_first",
            "window_slip",
            0.95,
            "The photopeak has slid 4.6 % in its window; the response follows steeply.",
            (),
        ),
        "dead": ("service", "not_until_cleared", "intermittent", 0.88, "No net counts in two checks running.", ()),
        "splashed": ("watch", "allowed", "contamination", 0.9, "Background 9.0 cps, usually 3.0 cps.", ()),
        "overdue": (
            "undetermined",
            "allowed",
            "unknown",
            None,
            "The last check is 63 days old.",
            ("A check on the check source; due since 12 May 2025.",),
        ),
        "young": (
            "undetermined",
            "allowed",
            "unknown",
            None,
            "Only 3 checks so far.",
            ("17 more checks make a full reference.",),
        ),
        "worn_out": (
            "retire",
            "not_until_cleared",
            "efficiency_loss",
            0.9,
            "The repair of 17 Jul 2024 did not hold: the fall goes on as before.",
            (),
        ),
    }[story]
    due = latest.date() + timedelta(days=7)
    shares = {} if sure is None else {cause: sure, "unknown": round(1 - sure, 2)}
    return ProbeResult(
        probe, site, advice, use, cause, sure, (reason,), missing, shares, latest, due, due + timedelta(days=60)
    )  # type: ignore[arg-type]


def source_of(name: str, site: str, which: int) -> DeviceResult:
    """A check source; the third one is in doubt."""
    bad = which == 2
    left = ACTIVITY_KBQ * 2 ** (-(AS_OF - START).days / HALF_LIFE_DAYS)
    fallen = "Every probe read on it has fallen 4.7 % together since Aug 2023; its half-life on record is doubtful."
    reasons = (fallen,) if bad else ()
    alerts = (
        (
            Alert(
                "E-S1",
                "drift",
                datetime(2024, 9, 2, 8),
                datetime(2023, 8, 1),
                None,
                "low",
                "All probes on this source move together.",
            ),
        )
        if bad
        else ()
    )
    return DeviceResult(
        "source",
        name,
        site,
        "verify" if bad else "use",
        reasons,
        alerts,
        activity_kbq=left,
        rate_now_cps=left * 2.35,
        too_weak_on=date(2026, 11, 20),
        offset_pct=-4.7 if bad else 0.2,
        offset_interval_pct=(-5.2, -4.2) if bad else (-0.3, 0.7),
    )
