"""Can the tolerance limit be watched at all? A limit narrower than the noise of a check alarms or hides by chance.

A limit is taken as watchable by single checks where a sound probe's check passes it by chance at most once in twenty:
1.96·σ ≤ limit, σ² = counting variance of the newest check + placing spread (Gaussian two-sided 5 %).
"""

from __future__ import annotations

import math

TWO_SIDED_95 = 1.959963984540054


def unwatchable(
    counting_variance: float, count_time_s: float, placing_variance: float, limit_pct: float, source: str, window: str = ""
) -> str | None:
    """The sentence where the limit cannot be watched, with the time it would need; None where it can, or nothing is known.

    counting_variance: relative, of a check counted ``count_time_s``; placing_variance: relative, of one placing. window: where the probe is
    read in more than one.

    >>> unwatchable(0.01, 10.0, 0.0001, 10.0, "CK-1")
    'The limit of 10 % cannot be watched with 10-s counts on CK-1: a check spreads by 10 % (1 sd), and it would need 45-s counts.'
    """
    if not (count_time_s > 0 and math.isfinite(counting_variance) and math.isfinite(placing_variance)):
        return None
    most = (math.log1p(limit_pct / 100.0) / TWO_SIDED_95) ** 2
    if counting_variance + placing_variance <= most:
        return None
    spread = 100.0 * math.sqrt(counting_variance + placing_variance)
    said = (
        f"The limit of {limit_pct:g} % cannot be watched{f' in {window}' if window else ''} with {count_time_s:g}-s counts on {source}: a check spreads by"
        f" {spread:.2g} % (1 sd), and"
    )
    if placing_variance >= most:
        times = math.ceil(placing_variance / most) + 1
        return (
            f"{said} no counting time is enough, since placing alone spreads by {100.0 * math.sqrt(placing_variance):.2g} %:"
            f" {times} or more reseated repeats a check, or a wider limit."
        )
    needed = count_time_s * counting_variance / (most - placing_variance)
    step = 10.0 ** max(math.floor(math.log10(needed)) - 1, 0)
    return f"{said} it would need {math.ceil(needed / step) * step:g}-s counts."
