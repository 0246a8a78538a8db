"""From the countings of surgical gamma probes to answers: is this probe still what it was, and what to do."""

__version__ = "0.1.0"
