"""Colours. A drawing names roles; a palette says what a role looks like in a theme and in a terminal's colour depth.

Calm is neutral: only the abnormal has colour, after IEC 60073 (red danger, yellow abnormal), and always with a word
and a shape beside it. Themes: day (ink on warm grey), night (dim amber on black: no white, no blue), contrast. Each
comes for full colour, for 16 colours, and once for no colour at all, where bold, underline and reverse carry what
colour cannot.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
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
    "absent", "notice", "caution", "warning", "danger", "fill_notice", "fill_caution", "fill_warning", "fill_danger",
    "mark_notice", "mark_caution", "mark_warning", "mark_danger", "bar_notice", "bar_caution", "bar_warning", "bar_danger",
]  # fmt: skip

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
}


@dataclass(frozen=True, slots=True)
class Look:
    """What a severity looks like: the only place for its colours, its shape and its text style.

    Each style is for day, night and contrast, in full colour and in 16 colours. Without colour there is one for all.
    """

    shape: str
    """Goes with the signal word, so that neither needs its colour."""
    text: tuple[str, str, str]
    """Words. By day on a ground of their own: no four inks that can be read on warm grey are told apart by dichromats."""
    fill: tuple[str, str, str]
    """The banner, and the signal word in a list, whatever lies below it."""
    bar: tuple[str, str, str]
    """Bars and lines."""
    text_16: tuple[str, str, str]
    fill_16: tuple[str, str, str]
    plain: str
    """Words without colour."""
    plain_fill: str


LOOKS: Final[Mapping[Severity, Look]] = MappingProxyType(
    {
        Severity.NOTICE: Look(
            "○",
            text=("#3b3934 on #d6d3cb", "#a57a48 on #0b0806", "#e6e6e6 on #000000"),
            fill=("#23221f on #b9b5a9", "#d0a060 on #241a10", "#ffffff on #404040"),
            bar=("#4d4a43 on #d6d3cb", "#8f6539 on #0b0806", "#ffffff on #000000"),
            text_16=("black on white", "yellow on black", "bright_white on black"),
            fill_16=("underline black on white", "yellow on black", "black on white"),
            plain="",
            plain_fill="bold",
        ),
        Severity.CAUTION: Look(
            "△",
            text=("#2a1e00 on #f3dc55", "#b9b26a on #0b0806", "#e8e070 on #000000"),
            fill=("#2a1e00 on #f3dc55", "#f0d878 on #4a4210", "#000000 on #f4ea70"),
            bar=("#6a5c00 on #d6d3cb", "#b9b26a on #0b0806", "#e8e070 on #000000"),
            text_16=("underline black on white", "underline yellow on black", "underline bright_yellow on black"),
            fill_16=("black on bright_yellow", "bright_yellow on black", "bright_yellow on black"),
            plain="underline",
            plain_fill="bold underline",
        ),
        Severity.WARNING: Look(
            "▲",
            text=("bold #1a1200 on #f2a000", "bold #eb9a17 on #0b0806", "bold #ffb000 on #000000"),
            fill=("bold #1a1200 on #f2a000", "bold #120c00 on #e8b41c", "bold #000000 on #ffa800"),
            bar=("#a85c00 on #d6d3cb", "#eb9a17 on #0b0806", "#ffb000 on #000000"),
            text_16=("bold black on bright_yellow", "bold bright_yellow on black", "bold bright_yellow on black"),
            fill_16=("bold black on bright_yellow", "bold black on bright_yellow", "bold black on bright_yellow"),
            plain="bold underline",
            plain_fill="bold underline reverse",
        ),
        Severity.DANGER: Look(
            "◆",
            text=("bold #ffffff on #9e1016", "bold #f0452f on #0b0806", "bold #ff7468 on #000000"),
            fill=("bold #ffffff on #9e1016", "bold #0a0100 on #ff6436", "bold #ffffff on #b00008"),
            bar=("#9e1016 on #d6d3cb", "#f0452f on #0b0806", "#ff7468 on #000000"),
            text_16=("bold bright_white on red", "bold bright_red on black", "bold bright_red on black"),
            fill_16=("bold bright_white on red", "bold black on bright_red", "bold bright_white on red"),
            plain="bold reverse",
            plain_fill="bold reverse",
        ),
    }
)
TEXT_ROLE: Final[Mapping[Severity, Role]] = MappingProxyType(
    dict(zip(Severity, ("notice", "caution", "warning", "danger"), strict=True))
)
FILL_ROLE: Final[Mapping[Severity, Role]] = MappingProxyType(
    dict(zip(Severity, ("fill_notice", "fill_caution", "fill_warning", "fill_danger"), strict=True))
)
MARK_ROLE: Final[Mapping[Severity, Role]] = MappingProxyType(
    dict(zip(Severity, ("mark_notice", "mark_caution", "mark_warning", "mark_danger"), strict=True))
)
"""Large figures and the marks of the mast: as words, but never reversed, which would hide what is drawn with blocks."""
BAR_ROLE: Final[Mapping[Severity, Role]] = MappingProxyType(
    dict(zip(Severity, ("bar_notice", "bar_caution", "bar_warning", "bar_danger"), strict=True))
)
SHAPE: Final[Mapping[Severity, str]] = MappingProxyType({severity: look.shape for severity, look in LOOKS.items()})

SEVERITY_OF: Final[Mapping[Role, Severity]] = MappingProxyType({role: severity for severity, role in TEXT_ROLE.items()})
"""Which severity words in a role are of; other roles have none."""


def marked(text: str, severity: Severity) -> str:
    """`text` behind the shape of its severity."""
    return f"{SHAPE[severity]} {text}"


def unmarked(text: str) -> str:
    """`text` without such a shape."""
    return text[2:] if text[:1] in SHAPE.values() else text


Palette = Mapping[Role, Style]


def palette(theme: ThemeName, depth: Depth = "full") -> Palette:
    """What every role looks like."""
    column = THEMES.index(theme)
    rows: dict[Role, str]
    if depth == "none":
        rows = dict(_NONE)
    else:
        rows = {role: row[column] for role, row in (_FULL if depth == "full" else _SIXTEEN).items()}
    for severity, look in LOOKS.items():
        if depth == "none":
            text, fill, mark, bar = look.plain, look.plain_fill, "bold", ""
        elif depth == "full":
            text, fill, bar = look.text[column], look.fill[column], look.bar[column]
            mark = text
        else:
            text, fill = look.text_16[column], look.fill_16[column]
            mark = bar = text
        rows |= {
            TEXT_ROLE[severity]: text,
            FILL_ROLE[severity]: fill,
            MARK_ROLE[severity]: mark,
            BAR_ROLE[severity]: bar,
        }
    return MappingProxyType({role: Style.parse(text) for role, text in rows.items()})


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
