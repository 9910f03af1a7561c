"""Colours. A drawing names roles; a palette says what a role looks like in a theme and in a terminal's colour depth.

Calm is neutral: only the abnormal has colour, after IEC 60073 (red danger, yellow abnormal), and always with a word
and a shape beside it. Themes: day (ink on warm grey), night (dim amber on black: no white, no blue), contrast. Each
comes for full colour, for 16 colours, and once for no colour at all, where bold, underline and reverse carry what
colour cannot.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final, Literal

from rich.style import Style
from textual.theme import BUILTIN_THEMES, Theme

from monitor.model.alarm import Severity

ThemeName = Literal["day", "night", "contrast"]
THEMES: Final[tuple[ThemeName, ...]] = ("day", "night", "contrast")
Depth = Literal["full", "sixteen", "none"]
Role = Literal[
    "base", "dim", "strong", "frame", "track", "bar", "title", "tag", "key", "block", "mark", "limit", "select",
    "absent", "notice", "caution", "warning", "danger", "alert", "fill_notice", "fill_caution", "fill_warning", "fill_danger",
]  # fmt: skip

# "alert" is "danger" for drawings of blocks, which must not be reversed where there is no colour.
# role: day, night, contrast. "on" gives the background; the base role's background is the theme's.
_FULL: Final[dict[Role, tuple[str, str, str]]] = {
    "base": ("#23221f on #d6d3cb", "#b68450 on #0b0806", "#f4f4f4 on #000000"),
    "dim": ("#56534b on #d6d3cb", "#98713f on #0b0806", "#c4c4c4 on #000000"),
    "strong": ("bold #11100e on #d6d3cb", "bold #d09a5e on #0b0806", "bold #ffffff on #000000"),
    "frame": ("#8f8b80 on #d6d3cb", "#67492b on #0b0806", "#8c8c8c on #000000"),
    "track": ("#b5b1a6 on #d6d3cb", "#2e2115 on #0b0806", "#5a5a5a on #000000"),
    "bar": ("#4d4a43 on #d6d3cb", "#8f6539 on #0b0806", "#ffffff on #000000"),
    "title": ("#e9e7e1 on #3b3934", "#a8794a on #1d140c", "#ffffff on #303030"),
    "tag": ("bold #23221f on #f2f0ea", "bold #0b0806 on #a8794a", "bold #000000 on #ffffff"),
    "key": ("bold #f2f0ea on #5d5a52", "bold #c08a50 on #35230f", "bold #000000 on #d0d0d0"),
    "block": ("bold #11100e on #d6d3cb", "bold #d09a5e on #0b0806", "bold #ffffff on #000000"),
    "mark": ("bold #11100e on #d6d3cb", "bold #d09a5e on #0b0806", "bold #ffffff on #000000"),
    "limit": ("#23221f on #d6d3cb", "#b68450 on #0b0806", "#f4f4f4 on #000000"),
    "select": ("bold #f2f0ea on #5d5a52", "bold #e0a868 on #35230f", "bold #000000 on #d0d0d0"),
    "absent": ("bold #f2f0ea on #3b3934", "bold #0b0806 on #b5803f", "bold #000000 on #ffffff"),
    "notice": ("bold #3b3934 on #d6d3cb", "bold #b88850 on #0b0806", "bold #e6e6e6 on #000000"),
    "caution": ("bold #6b4a00 on #d6d3cb", "bold #c9a227 on #0b0806", "bold #ffe45c on #000000"),
    "warning": ("bold #6b4a00 on #d6d3cb", "bold #e0b020 on #0b0806", "bold #ffd500 on #000000"),
    "danger": ("bold #9c0f14 on #d6d3cb", "bold #e8392b on #0b0806", "bold #ff7468 on #000000"),
    "alert": ("bold #9c0f14 on #d6d3cb", "bold #e8392b on #0b0806", "bold #ff7468 on #000000"),
    "fill_notice": ("bold #23221f on #bcb8ad", "bold #b88850 on #24190e", "bold #ffffff on #3a3a3a"),
    "fill_caution": ("bold #2a1e00 on #ecd98c", "bold #d8b040 on #33270a", "bold #ffe45c on #3a3200"),
    "fill_warning": ("bold #1a1200 on #f5bd02", "bold #120c00 on #d8a91c", "bold #000000 on #ffd500"),
    "fill_danger": ("bold #ffffff on #b3141b", "bold #120200 on #e0432f", "bold #ffffff on #d0000a"),
}
_SIXTEEN: Final[dict[Role, tuple[str, str, str]]] = {
    "base": ("black on white", "yellow on black", "bright_white on black"),
    "dim": ("black on white", "yellow on black", "white on black"),
    "strong": ("bold black on white", "bold yellow on black", "bold bright_white on black"),
    "frame": ("bright_black on white", "bright_black on black", "white on black"),
    "track": ("bright_black on white", "bright_black on black", "bright_black on black"),
    "bar": ("black on white", "yellow on black", "bright_white on black"),
    "title": ("white on black", "black on yellow", "black on white"),
    "tag": ("bold black on bright_white", "bold yellow on black", "bold bright_white on black"),
    "key": ("bold white on black", "bold black on yellow", "bold black on white"),
    "block": ("bold black on white", "bold yellow on black", "bold bright_white on black"),
    "mark": ("bold black on white", "bold yellow on black", "bold bright_white on black"),
    "limit": ("black on white", "yellow on black", "bright_white on black"),
    "select": ("bold white on black", "bold black on yellow", "bold black on white"),
    "absent": ("bold white on black", "bold black on yellow", "bold black on bright_white"),
    "notice": ("bold black on white", "bold yellow on black", "bold bright_white on black"),
    "caution": (
        "bold underline black on white",
        "bold underline bright_yellow on black",
        "bold bright_yellow on black",
    ),
    "warning": (
        "bold underline black on white",
        "bold underline bright_yellow on black",
        "bold bright_yellow on black",
    ),
    "danger": ("bold red on white", "bold bright_red on black", "bold bright_red on black"),
    "alert": ("bold red on white", "bold bright_red on black", "bold bright_red on black"),
    "fill_notice": ("bold underline black on white", "bold yellow on black", "bold black on white"),
    "fill_caution": ("bold black on bright_yellow", "bold bright_yellow on black", "bold bright_yellow on black"),
    "fill_warning": ("bold black on bright_yellow", "bold black on bright_yellow", "bold black on bright_yellow"),
    "fill_danger": ("bold bright_white on red", "bold black on bright_red", "bold bright_white on red"),
}
_NONE: Final[dict[Role, str]] = {
    "base": "",
    "dim": "",
    "strong": "bold",
    "frame": "",
    "track": "",
    "bar": "",
    "title": "reverse",
    "tag": "bold",
    "key": "bold",
    "block": "bold",
    "mark": "bold",
    "limit": "",
    "select": "reverse",
    "absent": "bold reverse",
    "notice": "bold",
    "caution": "bold underline",
    "warning": "bold underline",
    "danger": "bold reverse",
    "alert": "bold",
    "fill_notice": "bold",
    "fill_caution": "bold underline",
    "fill_warning": "bold reverse",
    "fill_danger": "bold reverse",
}

Palette = Mapping[Role, Style]


def palette(theme: ThemeName, depth: Depth = "full") -> Palette:
    """What every role looks like."""
    if depth == "none":
        return MappingProxyType({role: Style.parse(text) for role, text in _NONE.items()})
    column = THEMES.index(theme)
    table = _FULL if depth == "full" else _SIXTEEN
    return MappingProxyType({role: Style.parse(row[column]) for role, row in table.items()})


TEXT_ROLE: Final[Mapping[Severity, Role]] = MappingProxyType(
    {
        Severity.NOTICE: "notice",
        Severity.CAUTION: "caution",
        Severity.WARNING: "warning",
        Severity.DANGER: "danger",
    }
)
FILL_ROLE: Final[Mapping[Severity, Role]] = MappingProxyType(
    {
        Severity.NOTICE: "fill_notice",
        Severity.CAUTION: "fill_caution",
        Severity.WARNING: "fill_warning",
        Severity.DANGER: "fill_danger",
    }
)
SHAPE: Final[Mapping[Severity, str]] = MappingProxyType(
    {Severity.NOTICE: "○", Severity.CAUTION: "△", Severity.WARNING: "▲", Severity.DANGER: "◆"}
)
"""The shape that goes with the signal word, so that neither needs its colour."""


def textual_theme(theme: ThemeName, depth: Depth) -> Theme:
    """The same colours for what Textual draws itself (dialogues, the command palette)."""
    if depth != "full":
        # Textual's own pair of themes for terminals with 16 colours or none.
        base = BUILTIN_THEMES["ansi-light" if theme == "day" else "ansi-dark"]
        return replace(base, name=f"stopmark-{theme}")
    styles = palette(theme)

    def colours(role: Role) -> tuple[str, str]:
        style = styles[role]
        fore, back = style.color, style.bgcolor
        return (fore.name if fore else "#ffffff"), (back.name if back else "#000000")

    ink, ground = colours("base")
    return Theme(
        name=f"stopmark-{theme}",
        primary=colours("select")[1],
        secondary=colours("frame")[0],
        accent=colours("strong")[0],
        warning=colours("fill_warning")[1],
        error=colours("fill_danger")[1],
        success=colours("notice")[0],
        foreground=ink,
        background=ground,
        surface=ground,
        panel=colours("title")[1],
        dark=theme != "day",
    )
