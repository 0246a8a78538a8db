"""The report as a tagged PDF: a fixed template that is handed data, held to PDF/UA-1 by the typesetter itself.

A character that no font has would make the document one that cannot be read aloud, and is refused. The fonts that come
with the typesetter carry Latin, Greek, Cyrillic, Hebrew, Arabic and many signs; for others the fonts of the machine are
asked; what none has is written as its number, such as ⟨U+1F600⟩, and the report says so.
"""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

from dashboard.report.cells import breakable, characters, mapped, printed
from dashboard.report.model import Report, Section, Table
from dashboard.report.words import CAUTION, CHAIN, LEAD

TEMPLATE = Path(__file__).parent / "report.typ"
STANDARD = "ua-1"
REFUSED = re.compile(r'the text `"(.*?)"` could not be displayed', re.DOTALL)
MOST_TRIED = 200  # characters looked at one by one; a text with more of them gets numbers for the rest


def pdf(report: Report) -> bytes:
    """The PDF; the same report gives the same bytes on one machine."""
    data = content(report)
    odd = frozenset(one for one in characters(data) if not _plain(one))
    missing, own_fonts = unprintable(odd)
    if missing:
        data = mapped(data, lambda text: in_numbers(text, missing))
        data["replaced"] = (
            f"{len(missing)} character(s) that no font here can show stand as their number, ⟨U+…⟩; the workbook form holds "
            "them as they are."
        )
    return compiled(TEMPLATE.read_bytes(), data, own_fonts=own_fonts)


def content(report: Report) -> dict[str, Any]:
    """What the template is handed."""
    return {
        "title": report.title,
        "subject": report.subject,
        "by": report.by,
        "facts": [list(one) for one in report.facts],
        "fact_heads": ["What", "Is"],
        "sections": [_section(one) for one in report.sections],
        "cautions": [list(one) for one in report.cautions],
        "cautions_title": "Cautions",
        "lead_caution": LEAD,
        "short_caution": CAUTION,
        "chain": CHAIN,
        "footer": report.footer,
        "page": "page",
        "signatures": list(report.signatures),
        "signatures_title": "Seen and signed",
        "words": {"name": "name", "signature": "signature", "date": "date"},
        "replaced": "",
    }


def _section(one: Section) -> dict[str, Any]:
    return {
        "title": one.title,
        "sentences": list(one.sentences),
        "facts": [[term, breakable(value)] for term, value in one.facts],
        "tables": [_table(table) for table in one.tables if table.printed],
        "charts": [{"svg": chart.svg, "alt": chart.alt, "wide": chart.wide} for chart in one.charts],
    }


def _table(one: Table) -> dict[str, Any]:
    chosen = [(one.column(name), one.columns[one.column(name)]) for name in one.printed]
    return {
        "title": one.title,
        "empty": one.empty,
        "columns": [
            {"title": c.title, "width": c.width, "number": c.kind in ("number", "change", "whole")} for _, c in chosen
        ],
        "rows": [[printed(c, row[place]) for place, c in chosen] for row in one.rows],
    }


def _plain(one: str) -> bool:
    """Whether a character is one that the typesetter's own fonts surely have."""
    number = ord(one)
    return 0x20 <= number < 0x7F or 0xA0 <= number < 0x180 or 0x391 <= number < 0x3CA or 0x410 <= number < 0x450 or one in "\n\t"


def compiled(source: bytes, data: Any, *, own_fonts: bool = True, form: str = "pdf", ppi: float | None = None) -> bytes:
    """A document set from data; RuntimeError of the typesetter where it does not conform."""
    import typst

    inputs = {"data": json.dumps(data, ensure_ascii=False)}
    more: dict[str, Any] = {"pdf_standards": STANDARD} if form == "pdf" else {"ppi": ppi}
    compile_: Any = typst.compile  # its overloads know no options by name alone
    out = compile_(source, format=form, sys_inputs=inputs, ignore_system_fonts=own_fonts, **more)
    return bytes(out[0] if isinstance(out, list) else out)


@cache
def unprintable(odd: frozenset[str]) -> tuple[frozenset[str], bool]:
    """Of these characters those that cannot be shown, and whether the typesetter's own fonts are enough for the rest."""
    missing = _refused(odd, own_fonts=True)
    if not missing:
        return frozenset(), True
    still = _refused(odd, own_fonts=False)
    return (still, False) if len(still) < len(missing) else (missing, True)


_PROBE = b'#set document(title: "x")\n#set text(lang: "en", font: ("Libertinus Serif", "DejaVu Sans Mono"))\n#for c in json(bytes(sys.inputs.data)) [#c ]'


def _refused(odd: frozenset[str], *, own_fonts: bool) -> frozenset[str]:
    import typst

    left, out = sorted(odd), set[str]()
    for _ in range(MOST_TRIED):
        try:
            compiled(_PROBE, left, own_fonts=own_fonts)
        except typst.TypstError as error:
            named = REFUSED.search(str(error))
            if named is None:
                raise
            bad = {one for one in left if one in _unescaped(named.group(1))} or {left[0]}
            out |= bad
            left = [one for one in left if one not in bad]
        else:
            return frozenset(out)
    return frozenset(out) | frozenset(left)


def _unescaped(text: str) -> str:
    r"""A character as the typesetter names it in its message.

    >>> _unescaped(r"\u{1f600}") == chr(0x1F600)
    True
    """
    plain = re.sub(r"\\u\{([0-9a-fA-F]+)\}", lambda m: chr(int(m.group(1), 16)), text)
    return plain.replace("\\r", "\r").replace("\\0", "\0").replace('\\"', '"').replace("\\\\", "\\")


def in_numbers(text: str, missing: frozenset[str]) -> str:
    """The text with what cannot be shown as numbers.

    >>> in_numbers("a" + chr(0x1F600), frozenset(chr(0x1F600)))
    'a⟨U+1F600⟩'
    """
    if not missing.intersection(text):
        return text
    return "".join(f"⟨U+{ord(one):04X}⟩" if one in missing else one for one in text)


_PICTURE = b'#set page(width: auto, height: auto, margin: 0pt)\n#image(bytes(json(bytes(sys.inputs.data))), format: "svg")'


def png(svg: str, ppi: float = 200.0) -> bytes:
    """A picture of a drawing."""
    return compiled(_PICTURE, svg, form="png", ppi=ppi, own_fonts=False)
