"""Small pieces of HTML. Everything that comes from outside goes through `cell` or `text`, which escape it."""

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from monitor.text import one_line

STYLE: Final = """
:root { --ink: #1c2328; --soft: #5a6670; --rule: #d4d9dd; --field: #f6f7f8; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 1120px; padding: 28px 32px 60px; color: var(--ink); background: #fff;
  font: 14px/1.45 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; }
h1 { font-size: 25px; margin: 0 0 2px; letter-spacing: -.01em; }
h2 { font-size: 18px; margin: 34px 0 8px; padding-top: 10px; border-top: 2px solid var(--ink); }
h3 { font-size: 14px; margin: 18px 0 4px; }
p { margin: 5px 0 9px; max-width: 92ch; }
.sub { color: var(--soft); margin: 0 0 14px; overflow-wrap: anywhere; }
.note { color: var(--soft); font-size: 12.5px; }
.lack { border-left: 4px solid #b08d00; background: #fbf7e6; padding: 6px 10px; margin: 8px 0; max-width: none; }
.caution { border: 1px solid var(--rule); padding: 7px 11px; font-size: 12.5px; color: var(--soft); max-width: none; }
nav { font-size: 12.5px; margin: 10px 0 4px; } nav a { margin-right: 13px; white-space: nowrap; }
a { color: #1f5582; }
.cards { display: grid; grid-template-columns: repeat(4, 1fr); gap: 10px; margin: 12px 0; }
.card { background: var(--field); border: 1px solid var(--rule); padding: 9px 12px; }
.card b { display: block; font-size: 20px; font-weight: 600; font-variant-numeric: tabular-nums; }
.card span { color: var(--soft); font-size: 12px; }
table { border-collapse: collapse; width: 100%; font-size: 12.5px; font-variant-numeric: tabular-nums; margin: 6px 0 10px; }
th { text-align: right; vertical-align: bottom; font-weight: 600; color: var(--soft); border-bottom: 1.5px solid var(--ink);
  padding: 3px 7px; }
td { text-align: right; padding: 2.5px 7px; border-bottom: 1px solid var(--rule); vertical-align: top; white-space: nowrap; }
th.w, td.w { text-align: left; } td.w { white-space: normal; overflow-wrap: anywhere; }
td.t, th.t { text-align: left; white-space: nowrap; }
tfoot td { font-weight: 600; border-top: 1.5px solid var(--ink); border-bottom: 0; }
.sev { font-weight: 700; font-size: 11px; letter-spacing: .03em; }
.DANGER { color: #b3201a; } .WARNING { color: #b85a05; } .CAUTION { color: #8a6d00; } .NOTICE { color: #5d6b78; }
.bad { color: #b3201a; font-weight: 600; } .good { color: #2f6b3c; font-weight: 600; } .dim { color: var(--soft); }
svg { width: 100%; height: auto; display: block; margin: 4px 0 8px; }
svg text { font: 12px system-ui, "DejaVu Sans", sans-serif; fill: var(--ink); }
svg .small { font-size: 10.5px; fill: var(--soft); } svg .title { font-weight: 600; }
svg .missing { fill: #8a6d00; font-size: 12px; }
svg .field { fill: none; stroke: var(--rule); } svg .grid { stroke: #e6e9eb; } svg .hole { fill: #e9e2c8; }
svg .level { stroke: #b3201a; stroke-dasharray: 5 4; stroke-width: 1; }
svg .curve { stroke-width: 1.1; fill-opacity: .38; stroke-linejoin: round; }
@page { size: A4; margin: 13mm; @bottom-right { content: counter(page) " / " counter(pages); font-size: 8pt; color: #5a6670; } }
@media print {
  body { padding: 0; max-width: none; font-size: 10.5px; } nav { display: none; }
  table { font-size: 8.8px; } th, td { padding: 1.5px 4px; } .sub, .note, .caution, .card span { font-size: 9px; }
  .sev { font-size: 8.2px; } .card b { font-size: 14px; } .card { padding: 6px 9px; }
  h2 { break-after: avoid; font-size: 14px; } h3 { break-after: avoid; } tr, svg, .card { break-inside: avoid; }
  h2 { margin-top: 22px; } h2 + p, h2 + p + table thead, .note { break-before: avoid; } .lack, #plots { break-inside: avoid; }
  thead { display: table-header-group; } tfoot { display: table-row-group; }
}
"""


class Raw(str):
    """A text that is HTML already. Only this package makes one, from parts that are escaped."""

    __slots__ = ()


def text(words: str) -> str:
    """`words` as HTML: escaped, without control characters."""
    return words if isinstance(words, Raw) else escape(one_line(words))


def paragraph(words: str, style: str = "") -> str:
    """One paragraph."""
    return f'<p class="{style}">{text(words)}</p>' if style else f"<p>{text(words)}</p>"


def missing_note(words: str) -> str:
    """A sentence about what is missing."""
    return paragraph(words, "lack")


def severity(name: str, words: str = "") -> Raw:
    """A signal word in its colour, or `words` in the same."""
    return Raw(f'<span class="sev {escape(name)}">{text(words or name)}</span>')


def met_mark(good: bool, words: str) -> Raw:
    """Words that say that something is as it should be, or not; never by colour alone."""
    return Raw(f'<span class="{"good" if good else "bad"}">{"✓" if good else "✗"} {text(words)}</span>')


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], foot: Sequence[str] = ()) -> str:
    """A table. A head that begins with ``<`` is of a column of words, with ``|`` of words that never wrap."""
    styles = ["w" if head.startswith("<") else "t" if head.startswith("|") else "" for head in heads]
    marks = [f' class="{style}"' if style else "" for style in styles]
    parts = ["<table><thead><tr>"]
    parts += [f"<th{mark}>{text(head.lstrip('<|'))}</th>" for head, mark in zip(heads, marks, strict=True)]
    parts.append("</tr></thead><tbody>")
    for row in rows:
        cells = (f"<td{mark}>{text(words)}</td>" for words, mark in zip(row, marks, strict=True))
        parts.append("<tr>" + "".join(cells) + "</tr>")
    parts.append("</tbody>")
    if foot:
        cells = (f"<td{mark}>{text(words)}</td>" for words, mark in zip(foot, marks, strict=True))
        parts.append("<tfoot><tr>" + "".join(cells) + "</tr></tfoot>")
    return "".join(parts) + "</table>"


def cards(items: Iterable[tuple[str, str]]) -> str:
    """Figures in boxes: (figure, what it is)."""
    boxes = (f'<div class="card"><b>{text(figure)}</b><span>{text(words)}</span></div>' for figure, words in items)
    return f'<div class="cards">{"".join(boxes)}</div>'


def page(title: str, subtitle: str, sections: Sequence[tuple[str, str, str]], tail: str) -> str:
    """The whole page. `sections` are (anchor, heading, HTML)."""
    links = " ".join(f'<a href="#{anchor}">{text(heading)}</a>' for anchor, heading, _ in sections)
    body = "".join(
        f'<section id="{anchor}"><h2>{text(heading)}</h2>{html}</section>' for anchor, heading, html in sections
    )
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{text(title)}</title><style>{STYLE}</style></head><body>"
        f'<h1>{text(title)}</h1><p class="sub">{text(subtitle)}</p><nav>{links}</nav>{body}'
        f'<p class="caution">{text(tail)}</p></body></html>\n'
    )
