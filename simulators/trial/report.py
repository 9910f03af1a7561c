"""A trial's figures as one HTML file without outside parts."""

import html
from collections.abc import Sequence
from typing import Any

from simulators.trial.cases import Result

_STYLE = """
body{font:15px/1.5 system-ui,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#222;background:#fff}
h1{font-size:1.5rem}h2{font-size:1.2rem;margin-top:2rem}table{border-collapse:collapse;margin:.6rem 0}
td,th{padding:.2rem .8rem .2rem 0;text-align:left;border-bottom:1px solid #ddd;vertical-align:top}
td.n{font-variant-numeric:tabular-nums}svg{display:block;margin:.5rem 0}p.c{color:#555}
"""


def _words(key: str) -> str:
    return html.escape(key.replace("_", " "))


def _cell(value: Any) -> str:
    if isinstance(value, dict):
        if "share" in value:
            if value["share"] is None:
                return "no such run"
            text = f"{100 * value['share']:.3f} % ({value['hits']} of {value['of']})"
            return f"{text}, 95 %: {100 * value['low']:.3f} to {100 * value['high']:.3f} %"
        if "per" in value and value["per"] is not None:
            return f"{value['per']:.3g} ({value['count']}), 95 %: {value['low']:.3g} to {value['high']:.3g}"
        if "value" in value and value["value"] is not None:
            return f"{value['value']:.2f}, 95 %: {value['low']:.2f} to {value['high']:.2f}"
        inner = "".join(f"<tr><td>{_words(str(k))}</td><td class=n>{_cell(v)}</td></tr>" for k, v in value.items())
        return f"<table>{inner}</table>"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list):
        return f"{len(value)}"
    return html.escape(str(value))


def histogram(values: Sequence[float], title: str, unit: str, bins: int = 30) -> str:
    """Counts of `values` as a small bar chart (SVG)."""
    if not values:
        return ""
    low, high = min(values), max(values)
    width = (high - low) / bins or 1.0
    counts = [0] * bins
    for value in values:
        counts[min(bins - 1, int((value - low) / width))] += 1
    top = max(counts)
    bars = "".join(
        f'<rect x="{20 * i}" y="{100 - 100 * c / top:.1f}" width="18" height="{100 * c / top:.1f}" fill="#4a6f8f"/>'
        for i, c in enumerate(counts)
    )
    return (
        f'<svg viewBox="0 -18 {20 * bins} 140" width="640" role="img" aria-label="{html.escape(title)}">'
        f'<text y="-4" font-size="13">{html.escape(title)} ({len(values)} runs)</text>{bars}'
        f'<text y="116" font-size="12">{low:.2f} {unit}</text>'
        f'<text x="{20 * bins}" y="116" font-size="12" text-anchor="end">{high:.2f} {unit}</text></svg>'
    )


def page(figures: dict[str, Any], results: dict[str, list[Result]]) -> str:
    """The whole page."""
    parts = [
        "<!doctype html><html lang=en><meta charset=utf-8><title>Stopmark trial</title>",
        f"<style>{_STYLE}</style><h1>Stopmark trial</h1>",
        f"<p class=c>Seed {figures['seed']}, monitor {html.escape(str(figures['monitor']))}. Simulated rigs whose truth"
        " differs from their files; the figures hold for these simulations and no further. ADVISORY ONLY.</p>",
    ]
    for name, rows in results.items():
        parts.append(f"<h2>{html.escape(name)}</h2>")
        if name == "danger":
            lead = [r["lead_s"] for r in rows if r["lead_s"] is not None]
            parts.append(histogram(lead, "Warning before a full brake is too late", "s"))
            spare = [r["spare_s"] for r in rows if r["spare_s"] is not None]
            parts.append(histogram(spare, "Warning before the last useful moment", "s"))
        if name == "instrument":
            announced = [r["announced_s"] for r in rows if r["announced_s"] is not None]
            parts.append(histogram(announced, "Time to announce a sensor fault", "s"))
        if name == "calm":
            parts.append(histogram([float(w) for r in rows for w in r["windows"]], "Alarms in ten minutes", "alarms"))
        parts.append(_cell(figures["sets"][name]))
    return "".join(parts) + "</html>\n"
