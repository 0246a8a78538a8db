"""The pages: one row each, in the order of the navigation. The file is ``views/<name>.py``, the address ``/<name>``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class PageEntry:
    """A page: its file and address, the word in the navigation, and what a visitor comes to it with."""

    name: str
    title: str
    icon: str
    question: str
    group: str = ""  # the word it stands under in the navigation; none: in the row itself
    answers: bool = True  # whether it shows anything that is worked out from the records

    @property
    def path(self) -> Path:
        """The file that Streamlit runs."""
        return Path(__file__).parent / "views" / f"{self.name}.py"


PAGES = (
    PageEntry("fleet", "Fleet", ":material/grain:", "Are we safe, and where does risk lie?"),
    PageEntry("alerts", "Alerts", ":material/notifications:", "What do I look at first, and why?"),
    PageEntry("probe", "Probe", ":material/show_chart:", "What is the story of this one?"),
    PageEntry("sources", "Sources and jigs", ":material/adjust:", "Is it the probe, or what it was read on?"),
    PageEntry("plan", "Service plan", ":material/event:", "What do I pull in, and when?"),
    PageEntry("record", "Record a check", ":material/edit_note:", "Is this one fit for today?"),
    PageEntry("other_checks", "Other checks", ":material/checklist:", "Is all that is not a counting done, and in date?", "Records", answers=False),
    PageEntry("import_log", "Import", ":material/upload_file:", "How do I get my log in?", "Records", answers=False),
    PageEntry("report", "Report", ":material/print:", "What do I print, sign and show?", "Records"),
    PageEntry("history", "History", ":material/history:", "Who changed what, and when?", "Records", answers=False),
    PageEntry("replay", "Replay", ":material/replay:", "What would it have said, and was it right?", "Behind it"),
    PageEntry("price", "What watching costs", ":material/balance:", "What do fewer false alarms cost in days?", "Behind it"),
    PageEntry("settings", "Settings", ":material/tune:", "What is it set to, and what would a change change?", "Behind it"),
    PageEntry("people", "People", ":material/group:", "Who may do what?", "Behind it", answers=False),
    PageEntry("about", "About and cautions", ":material/info:", "What does this tool say, and what can it not say?", "Behind it", answers=False),
)


def entry(name: str) -> PageEntry:
    """The page of that name; KeyError where there is none."""
    for one in PAGES:
        if one.name == name:
            return one
    raise KeyError(name)
