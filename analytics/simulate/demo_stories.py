"""What befell the demo's probes, each with the sentence that tells it. Everything here is invented."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from analytics.simulate.breakdowns import Breakdowns
from analytics.simulate.demo_places import DAYS
from analytics.simulate.design import Service


@dataclass
class Stories:
    """The fleet while it is being told: faults and services, one sentence a probe, blunders that must happen."""

    broken: Breakdowns
    told: dict[str, str] = field(default_factory=dict)
    found: list[tuple[str, float, str, str]] = field(default_factory=list)  # probe, day, cause found, note
    spoiled: list[tuple[str, int, str]] = field(default_factory=list)

    def event(self, probe: str, day: float, kind: str, **how: object) -> None:
        """Something that happened to the probe and mended nothing."""
        self.broken.services.append(Service(probe, day, kind, **how))  # type: ignore[arg-type]


def ago(days: float, hour: float = 11.0) -> float:
    """The day so long before the end, at a working hour."""
    return DAYS - days + hour / 24.0


def a_year(percent: float) -> float:
    """Slope of ln(response) for a loss of so many per cent a year."""
    return math.log1p(-percent / 100.0)


def tell(broken: Breakdowns) -> Stories:
    """All stories of the demo."""
    stories = Stories(broken)
    for chapter in (_slow_losses, _windows, _drops, _cables, _contaminations, _electronics, _surroundings, _records):
        chapter(stories)
    return stories


def _slow_losses(tale: Stories) -> None:
    broken = tale.broken
    broken.add("QU-03", "efficiency_loss", ago(395), per_year=a_year(8.0), widening=2.0)
    tale.told["QU-03"] = "Loses 8 % a year since 13 months and the photopeak widens; it will pass 10 % within months."
    broken.add("OS-02", "efficiency_loss", ago(730), per_year=a_year(3.0))
    tale.told["OS-02"] = "Loses 3 % a year, so slowly that a fixed limit of 10 % would notice it only years later."
    first = broken.add("QU-12", "efficiency_loss", ago(900), per_year=a_year(11.0), widening=2.5)
    broken.mend(
        first,
        ago(560),
        "repair",
        held=False,
        level=0.01,
        restored=0.9,
        by="workshop A",
        cost=2_900.0,
        note="crystal coupling renewed",
    )
    broken.mend(
        first + 1,
        ago(250),
        "repair",
        held=False,
        level=-0.01,
        restored=0.8,
        by="workshop A",
        cost=3_150.0,
        note="coupling renewed again",
    )
    tale.found += [
        ("QU-12", ago(560), "efficiency_loss", "coupling of the crystal"),
        ("QU-12", ago(250), "efficiency_loss", "coupling again"),
    ]
    tale.told["QU-12"] = (
        "Repaired twice, and each time the loss of 11 % a year went on as before: it should be retired."
    )
    wet = broken.add("OS-05", "efficiency_loss", ago(820), per_year=a_year(14.0), widening=3.0)
    broken.mend(
        wet,
        ago(500),
        "detector_replaced",
        held=True,
        level=0.03,
        by="workshop A",
        cost=6_400.0,
        note="crystal had drawn moisture",
    )
    tale.found.append(("OS-05", ago(500), "efficiency_loss", "moisture in the crystal"))
    tale.told["OS-05"] = "Moisture in the crystal cost 14 % a year until a new detector mended it: sound since."
    broken.add("HV-05", "efficiency_loss", ago(1000), per_year=a_year(9.0))
    tale.event("HV-05", ago(205), "withdrawn", by="head of department", note="worn out, replaced by HV-08")
    broken.change("HV-05", checked_to=ago(205))
    tale.told["HV-05"] = "Lost 9 % a year for more than two years and was withdrawn."


def _windows(tale: Stories) -> None:
    broken = tale.broken
    broken.add("QU-05", "gain_drift", ago(390), per_year=0.033)
    tale.told["QU-05"] = "Its gain rises 3.3 % a year: the Tc-99m window shows it early, the Co-57 window only now."
    broken.add("HV-03", "gain_drift", ago(430), per_year=-0.055)
    tale.told["HV-03"] = (
        "Its gain falls 5.5 % a year: at first the counts even rose, as the second Co-57 line came into the window."
    )
    slid = broken.add("QU-02", "gain_drift", ago(1000), per_year=0.035)
    broken.mend(
        slid, ago(610), "recentred", held=True, by="physicist", note="window set anew after the half-yearly check"
    )
    tale.found.append(("QU-02", ago(610), "window_slip", "gain set back"))
    tale.told["QU-02"] = "Its window had slipped, was set anew, and has stayed where it was put."


def _drops(tale: Stories) -> None:
    broken = tale.broken
    fell = broken.add("QU-07", "step", ago(160), size=math.log1p(-0.13))
    tale.event("QU-07", ago(160, 9.5), "dropped", by="theatre tech 1", note="slipped off the trolley")
    broken.mend(
        fell, ago(120), "repair", held=True, level=-0.015, by="workshop B", cost=1_850.0, note="loose coupling fixed"
    )
    tale.event("QU-07", ago(113), "cleared", by="physicist", note="two good checks after the repair")
    tale.found.append(("QU-07", ago(120), "sudden_loss", "coupling had come loose"))
    tale.told["QU-07"] = "Was dropped, lost 13 % at once, was repaired and has been steady since."
    broken.add("OS-04", "step", ago(84), size=math.log1p(-0.068))
    tale.told["OS-04"] = "Lost 6.8 % from one week to the next; nobody has reported a fall."
    tale.event("QU-21", ago(130), "dropped", by="theatre tech 1", note="fell on its side")
    broken.add("QU-21", "shield", ago(130), size=4.2)
    tale.told["QU-21"] = (
        "Fell on its side: the shield has shifted, which only the side reading shows; the front counts as before."
    )
    broken.add("QU-13", "shield", ago(400), size=2.1)
    tale.told["QU-13"] = (
        "Its collimator was put back askew after cleaning: the side reading is up, the front unchanged."
    )
    tale.event("QU-13", ago(400, 9.0), "cleaned", by="theatre tech 1", note="collimator off and on again")


def _cables(tale: Stories) -> None:
    broken = tale.broken
    broken.add("QU-09", "intermittent", ago(210), size=0.24)
    tale.told["QU-09"] = "A cable with a bad contact: every fourth counting or so is far too low, the rest look right."
    broken.add("QU-10", "dead_cable", ago(12), seen_by_last=2)
    tale.told["QU-10"] = "Its cable is dead: the last two checks count nothing at all, not even background."
    worn = broken.add("OS-10", "intermittent", ago(690), size=0.3)
    broken.mend(worn, ago(530), "cable_replaced", held=True, by="workshop B", cost=420.0, note="connector worn")
    tale.found.append(("OS-10", ago(530), "intermittent", "connector worn"))
    tale.told["OS-10"] = "A worn connector made it unsteady until the cable was replaced."


def _contaminations(tale: Stories) -> None:
    broken = tale.broken
    broken.add("QU-11", "contamination_splash", ago(330), size=36.0, hours_before_check=2.0)
    tale.told["QU-11"] = (
        "A splash of Tc-99m raised its background more than tenfold one morning; a week later it was gone."
    )
    broken.add("HV-06", "contamination_splash", ago(45), size=22.0, hours_before_check=3.0)
    tale.told["HV-06"] = "A splash of Tc-99m at a recent check; nobody has looked again since."
    broken.add("OS-08", "contamination", ago(24), size=11.0, seen_by_last=3)
    tale.told["OS-08"] = (
        "Something long-lived sticks to the tip: the background has stayed up over the last three checks."
    )


def _electronics(tale: Stories) -> None:
    broken = tale.broken
    broken.add("QU-16", "double_pulsing", ago(230), size=0.06)
    tale.told["QU-16"] = (
        "Its pulser circuit counts some pulses twice: readings scatter upwards far beyond counting statistics."
    )
    broken.add("OS-09", "mains", ago(120), size=50.0)
    tale.told["OS-09"] = "Picks up the mains: fifty pulses a second on top of everything, with no spread of their own."
    broken.add("HV-07", "pulser", ago(300), size=0.95)
    tale.told["HV-07"] = "Its ten repeats agree far better than Poisson allows: part of the pulses comes from a clock."


def _surroundings(tale: Stories) -> None:
    broken = tale.broken
    broken.add("QU-15", "polarisation", ago(280), size=-0.13)
    tale.told["QU-15"] = "A CdTe head that polarises: it counts less the longer it has been switched on."
    broken.add("OS-06", "battery", ago(260), size=-0.3)
    tale.told["OS-06"] = "Counts too little when its battery is low."
    broken.add("HV-02", "temperature", ago(700), size=-0.016)
    tale.told["HV-02"] = "Goes with the room: 1.6 % less for each degree, and the room is warm in summer."


def _records(tale: Stories) -> None:
    broken = tale.broken
    broken.change("QU-17", checked_from=ago(24), in_service_day=ago(30), note="bought to relieve QU-12")
    tale.told["QU-17"] = "New: too few checks yet to say anything."
    broken.change("QU-18", checked_to=ago(62))
    tale.told["QU-18"] = "Sound when it was last seen, but nobody has checked it for two months."
    tale.spoiled += [("QU-14", -1, "mis_seated"), ("QU-06", -33, "wrong_window")]
    tale.spoiled += [
        ("QU-06", -71, "wrong_window"),
        ("QU-08", -12, "digit_dropped"),
        ("QU-19", -26, "count_time_wrong"),
    ]
    tale.told["QU-14"] = "Sound; at its last check the source was mis-seated, and the repeat is still to be made."
    tale.told["QU-06"] = "Sound; twice it was counted with the wrong window, which gives the same ratio each time."
    broken.change("HV-08", in_service_day=ago(230), checked_from=ago(225))
    tale.told["HV-08"] = "Bought to replace HV-05; young, and sound."
