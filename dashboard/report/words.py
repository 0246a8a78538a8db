"""Sentences that stand on every report."""

CAUTION = (
    "Trends of constancy checks; no clearance for a patient. The responsible physicist and local rules come first. "
    "Action and tolerance levels are site choices. Intervals are 90 %."
)
LEAD = (
    "Decision aid, no clearance: the licensed medical physicist and local rules decide. The raw counts stand. Beyond the "
    "tolerance limit: not for patient use until cleared. The check source is a sealed radioactive source: follow local rules."
)
CHAIN = (
    "The history of the store is chained: each change carries the hash of the one before it. Whoever holds the file could "
    "rebuild the whole chain, so the head printed here is a witness only where this report is kept elsewhere."
)
